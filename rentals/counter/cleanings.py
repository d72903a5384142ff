"""Reminding families of the annual cleaning of the instrument they rent: once per agreement and due date."""

import datetime
from dataclasses import dataclass, replace

from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext

from rentals.agreements.models import Agreement, AgreementUnit
from rentals.counter.cleaning_words import CODE
from rentals.documents.models import OutboxMessage
from rentals.documents.pages import CleaningItem, CleaningPage
from rentals.documents.words import in_language
from rentals.families.letters import Receiver, receiver_of, worded_letter, write_to_household
from rentals.inventory.models import Instrument
from rentals.inventory.queries import cleanings as fleet
from rentals.runtime.locks import lock_one
from rentals.staff.models import User

DAYS_AHEAD = 14
"""So many days before the cleaning is due a family is reminded: common practice, no source."""


@dataclass(frozen=True)
class ReminderDue:
    """A reminder that is to be written: about which rented instrument, to whom, due when."""

    agreement: Agreement
    instrument: Instrument
    due_on: datetime.date
    receiver: Receiver

    @property
    def key(self) -> str:
        """Says once that this family was reminded of this cleaning."""
        return _key(self.agreement.pk, self.due_on)


def list_reminders_due(*, today: datetime.date) -> list[ReminderDue]:
    """List the reminders to be written today, the longest due first; in three queries however many there are.

    A cleaning is due a year after the last one, and never sooner than a year after the rental began: what was left undone
    before is the shop's to do, not the family's. Instruments that are back in the shop are left out.
    """
    latest = today + datetime.timedelta(days=DAYS_AHEAD)
    due_on = fleet.cleaning_due_on(
        last_cleaned_on="instrument__last_cleaned_on",
        rented_since="agreement__starts_on",
        acquired_on="instrument__acquired_on",
    )
    units = (
        AgreementUnit.objects.filter(ended_at=None, role=AgreementUnit.Role.RENTED, agreement__ended_on=None)
        .filter(instrument__custodies__ended_at=None, instrument__custodies__place="family")
        .annotate(due_on=due_on)
        .filter(due_on__lte=latest)
        .select_related("agreement__household", "instrument__item__kind")
        .prefetch_related("agreement__household__guardians")
        .order_by("due_on", "pk")
    )
    due = []
    for unit in units:
        household = unit.agreement.household
        receiver = receiver_of(household, household.guardians.all(), kind="cleaning")
        due.append(ReminderDue(unit.agreement, unit.instrument, unit.due_on, receiver))
    written = set(OutboxMessage.objects.filter(key__in=[each.key for each in due]).values_list("key", flat=True))
    return [each for each in due if each.key not in written]


def remind_of_cleanings(*, today: datetime.date, now: datetime.datetime, acting_user: User) -> int:
    """Write every reminder that is due, each in its own transaction; return how many.

    Outermost. May be stopped, repeated, or run twice at once: a family is reminded once of each cleaning.
    """
    return sum(remind(due=due, today=today, now=now, acting_user=acting_user) for due in list_reminders_due(today=today))


@transaction.atomic
def remind(*, due: ReminderDue, today: datetime.date, now: datetime.datetime, acting_user: User) -> bool:
    """Write one reminder, unless it was written or the rental ended since the list was read; tell whether one goes out."""
    agreement = lock_one(Agreement.objects.filter(pk=due.agreement.pk))
    if not agreement.is_open or OutboxMessage.objects.filter(key=due.key).exists():
        return False
    household = agreement.household
    due = replace(due, receiver=receiver_of(household, kind="cleaning"))
    with translation.override(household.language):
        letter = worded_letter(
            code=CODE,
            household=household,
            key=due.key,
            kind="cleaning",
            about=f"agreement/{agreement.pk}",
            title=gettext("Reminder of the annual cleaning"),
            page=page_of(due, today),
        )
    write_to_household(household=household, receiver=due.receiver, letter=letter, acting_user=acting_user, now=now)
    return not due.receiver.is_unwanted


def page_of(due: ReminderDue, today: datetime.date) -> CleaningPage:
    """Return the reminder's page in the active language, without its words."""
    unit = due.instrument
    item = CleaningItem(in_language(unit.item.kind.name), unit.asset_tag, unit.last_cleaned_on, due.due_on)
    return CleaningPage(addressee=due.receiver.addressee, dated_on=today, items=(item,))


def _key(agreement_id: int, due_on: datetime.date) -> str:
    return f"cleaning/{agreement_id}/{due_on.isoformat()}"
