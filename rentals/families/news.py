"""Every write about how news reaches a guardian: told to the office, done by a family by a link, reported by mail servers."""

import datetime
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Q

from rentals.documents import outbox
from rentals.documents.quiet import QuietHours
from rentals.families.models import Guardian, Household
from rentals.families.operations import bump_version
from rentals.runtime.locks import lock_rows
from rentals.staff.models import User
from rentals.staff.policy import require

Reminders, ChosenBy = Guardian.Reminders, Guardian.ChosenBy


@dataclass(frozen=True)
class News:
    """What a guardian wants: required news by mail or on paper, reminders, and when no mail leaves by itself."""

    news_by: str
    reminders: str
    quiet: QuietHours | None


@transaction.atomic
def choose_news(
    *, guardian_id: int, version: int, news: News, mail_works: bool, acting_user: User, now: datetime.datetime
) -> Guardian:
    """Write down what a guardian told the office, while the household is still at `version`.

    `mail_works`: mail to an address that came back is tried again. What waits in the outbox stays as it was queued, but
    reminders by mail to who wants none any more are not sent.
    Raises PermissionDenied, HouseholdChangedError.
    """
    require(acting_user, "households.edit")
    guardian = Guardian.objects.get(pk=guardian_id)
    bump_version(guardian.household_id, version)
    guardian.refresh_from_db()
    if guardian.reminders != news.reminders:
        guardian.reminders, guardian.reminders_by, guardian.reminders_at = news.reminders, ChosenBy.OFFICE, now
    guardian.news_by = news.news_by
    guardian.quiet_from = news.quiet.start if news.quiet else None
    guardian.quiet_until = news.quiet.end if news.quiet else None
    if mail_works:
        guardian.mail_failed_at = None
    guardian.save()
    return guardian


@transaction.atomic
def stop_reminders(
    *, guardian_id: int, how: Guardian.ChosenBy, instead: str = Reminders.NONE, now: datetime.datetime
) -> Guardian | None:
    """Send this guardian no reminders by mail any more: none, or letters `instead`; what waits is cancelled.

    Part of the family's own rights, so nobody of the office acts. Asked twice it is done once; a guardian who wants none
    already is not given letters by a complaint. It counts for everybody who has the same mail address, since one mailbox asked.
    None where the guardian is there no more. Raises RowsBusyError.
    """
    asking = Guardian.objects.filter(pk=guardian_id).first()
    if asking is None:
        return None
    same_mailbox = Q(pk=guardian_id) | (Q(email__iexact=asking.email) & ~Q(email=""))
    lock_rows(Household.objects.filter(pk__in=Guardian.objects.filter(same_mailbox).values("household")))
    for guardian in Guardian.objects.filter(same_mailbox):
        if guardian.reminders != instead:
            guardian.reminders, guardian.reminders_by, guardian.reminders_at = instead, how, now
            guardian.save(update_fields=["reminders", "reminders_by", "reminders_at"])
        outbox.cancel_courtesies(guardian_id=guardian.pk)
    asking.refresh_from_db()
    return asking


@transaction.atomic
def note_failed_mail(*, address: str, now: datetime.datetime) -> None:
    """Write down that mail to this address comes back: letters go out from now on to every guardian who has it."""
    Guardian.objects.filter(email__iexact=address, mail_failed_at=None).exclude(email="").update(mail_failed_at=now)
