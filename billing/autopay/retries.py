"""What came back for lack of money and may be presented again: the same amount, at most twice, within 180 days."""

import datetime
from collections.abc import Collection

from django.db.models import Exists, OuterRef, Q
from django.db.models.functions import Coalesce

from billing.autopay import codes, rules
from billing.models import AutopayEntry

MAY_RETRY = [reason.code for reason in codes.REASONS.values() if reason.may_retry]


def list_waiting(household_ids: Collection[int] | None = None) -> list[AutopayEntry]:
    """List the entries whose last presentation came back and is to be presented again, with their charges and first entries.

    The authorisation is still in force, and no later presentation stands.
    """
    later = AutopayEntry.objects.annotate(root=Coalesce("original_id", "pk")).filter(
        ~Q(state=AutopayEntry.State.DROPPED), root=OuterRef("root"), retry__gt=OuterRef("retry")
    )
    entries = AutopayEntry.objects.annotate(root=Coalesce("original_id", "pk")).filter(
        ~Exists(later), came_back__reason__in=MAY_RETRY, retry__lt=rules.MOST_RETRIES, authorisation__ended_at=None
    )
    if household_ids is not None:
        entries = entries.filter(household_id__in=household_ids)
    related = entries.select_related("authorisation__household", "household", "run", "original__run", "came_back")
    return list(related.prefetch_related("covers").order_by("household_id", "pk"))


def first_of(entry: AutopayEntry) -> AutopayEntry:
    """Return the entry as it was presented first."""
    return entry.original or entry


def is_in_time(entry: AutopayEntry, effective_on: datetime.date) -> bool:
    """Tell whether it may still be presented on this day."""
    return effective_on <= rules.latest_retry(first_of(entry).run.effective_on)
