"""What came back for lack of money and may be presented again: the same amount, at most twice, within 180 days.

What came back and may not stays owed, and is left to the family.
"""

import datetime
from collections.abc import Collection

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.db.models.functions import Coalesce

from billing.autopay import codes, rules
from billing.models import AutopayCover, AutopayEntry, OpenItem

GONE = [AutopayEntry.State.DROPPED, AutopayEntry.State.REFUSED]
"""Entries that no account was debited for."""
MAY_RETRY = [reason.code for reason in codes.REASONS.values() if reason.may_retry]


def list_waiting(household_ids: Collection[int] | None = None) -> list[AutopayEntry]:
    """List the entries whose last presentation came back and is to be presented again, with their charges and first entries.

    The authorisation is still in force, no later presentation stands, and all of it is still owed: what was paid in part is told
    anew for the rest.
    """
    owed = OpenItem.objects.filter(charge=OuterRef("charge"), open__gte=OuterRef("amount"))
    paid = AutopayCover.objects.filter(~Exists(owed), entry=OuterRef("pk"))
    later = AutopayEntry.objects.annotate(root=Coalesce("original_id", "pk")).filter(
        ~Q(state__in=GONE), root=OuterRef("root"), retry__gt=OuterRef("retry")
    )
    entries = AutopayEntry.objects.annotate(root=Coalesce("original_id", "pk")).filter(
        ~Exists(later),
        ~Exists(paid),
        state=AutopayEntry.State.SENT,
        came_back__reason__in=MAY_RETRY,
        retry__lt=rules.MOST_RETRIES,
        authorisation__ended_at=None,
    )
    if household_ids is not None:
        entries = entries.filter(household_id__in=household_ids)
    related = entries.select_related("authorisation__household", "household", "run", "original__run", "came_back")
    return list(related.prefetch_related("covers").order_by("household_id", "pk"))


def list_left_to_families(household_ids: Collection[int]) -> QuerySet[AutopayCover, int]:
    """List the charges, by their ids, whose debit came back for good, so that the family was asked to pay them another way.

    They are not debited again under that authorisation: a new debit for them would be one presentation more.
    """
    later = AutopayCover.objects.filter(charge=OuterRef("charge"), attempt__gt=OuterRef("attempt"))
    came_back = AutopayCover.objects.filter(
        ~Exists(later.exclude(entry__state__in=GONE)),
        entry__household_id__in=household_ids,
        entry__came_back__isnull=False,
        entry__authorisation__ended_at=None,
    )
    for_good = came_back.exclude(entry__came_back__reason__in=MAY_RETRY, entry__retry__lt=rules.MOST_RETRIES)
    return for_good.order_by().values_list("charge_id", flat=True)


def first_of(entry: AutopayEntry) -> AutopayEntry:
    """Return the entry as it was presented first."""
    return entry.original or entry


def is_in_time(entry: AutopayEntry, effective_on: datetime.date) -> bool:
    """Tell whether it may still be presented on this day."""
    return effective_on <= rules.latest_retry(first_of(entry).run.effective_on)
