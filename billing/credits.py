"""Credit notes: so much less owed by a household, posted against an expense; and taking one back.

Who may ask for one, and why, stands in `billing.adjustments` and `billing.write_offs`.
"""

import datetime
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from billing import allocation, chart, ledger
from billing.models import CreditNote, JournalEntry
from rentals.agreements.models import Agreement
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User
from rentals.staff.operations import take_number

EXPENSE = {CreditNote.Kind.ADJUSTMENT: chart.ADJUSTMENTS, CreditNote.Kind.WRITE_OFF: chart.BAD_DEBT}


class AmountNotPositiveError(Exception):
    """An adjustment, a write-off or a refund of nothing, or of less."""

    def __init__(self) -> None:
        super().__init__("Write an amount of more than zero.")


class ReasonMissingError(Exception):
    """Nobody said why."""

    def __init__(self) -> None:
        super().__init__("Write the reason: the auditor, and maybe the family, will read it.")


class CreditNoteVoidedError(Exception):
    """The credit note was taken back before."""

    def __init__(self, credit_note: CreditNote) -> None:
        super().__init__(f"Credit note {credit_note.number} of {written_day(credit_note.credited_on)} was voided already.")
        self.credit_note = credit_note


def write_credit_note(
    *,
    household: Household,
    agreement: Agreement | None,
    kind: str,
    amount: Decimal,
    reason: str,
    on: datetime.date,
    acting_user: User,
    now: datetime.datetime,
) -> CreditNote:
    """Write a credit note and let it pay: first what the agreement it names owes, then the household's oldest open lines.

    It works like money, but is not rent paid: rental credit counts payments only. Inside an operation that has locked the
    household. Posted on `on`, or on the first open day when that month is closed. Raises AmountNotPositiveError,
    ReasonMissingError.
    """
    if amount <= 0:
        raise AmountNotPositiveError
    if not reason.strip():
        raise ReasonMissingError
    note = CreditNote(
        pk=ledger.next_id(CreditNote),
        household=household,
        agreement=agreement,
        kind=kind,
        amount=amount,
        credited_on=ledger.open_day(on),
        reason=reason.strip()[:200],
        made_at=now,
        made_by=acting_user,
    )
    note.entry = ledger.post_entry(
        entry_on=note.credited_on,
        kind=JournalEntry.Kind.ADJUSTMENT,
        memo=f"{note.get_kind_display()} {household.number}: {note.reason}",
        source=f"credit-note/{note.pk}",
        postings=[
            ledger.Line(EXPENSE[CreditNote.Kind(kind)], amount),
            ledger.Line(chart.RECEIVABLES, -amount, household.pk),
        ],
        acting_user=acting_user,
        now=now,
    )
    note.number = f"C-{take_number('credit_note'):06}"
    note.save(force_insert=True)
    if agreement is not None:
        allocation.pay_agreement_first(household_id=household.pk, agreement_id=agreement.pk, credit_note_id=note.pk, now=now)
    allocation.apply_credit(household_ids=[household.pk], now=now)
    return note


@transaction.atomic
def void_credit_note(*, credit_note: CreditNote, reason: str, acting_user: User, now: datetime.datetime) -> CreditNote:
    """Take a credit note back: its entry is reversed today, and what it paid is open again unless other money pays it.

    The note stays on the account, marked void with the reason. Outermost. Raises CreditNoteVoidedError, ReasonMissingError,
    MonthClosedError.
    """
    lock_one(Household.objects.filter(pk=credit_note.household_id))
    credit_note = release_credit_note(credit_note=credit_note, reason=reason, acting_user=acting_user, now=now)
    allocation.apply_credit(household_ids=[credit_note.household_id], now=now)
    return credit_note


def release_credit_note(*, credit_note: CreditNote, reason: str, acting_user: User, now: datetime.datetime) -> CreditNote:
    """Reverse a credit note and release what it paid, without using other money yet: the caller does, household locked."""
    if not reason.strip():
        raise ReasonMissingError
    credit_note = lock_one(CreditNote.objects.filter(pk=credit_note.pk))
    if credit_note.void_entry_id is not None:
        raise CreditNoteVoidedError(credit_note)
    allocation.release_of_credit_note(credit_note_id=credit_note.pk, now=now)
    credit_note.void_entry = ledger.reverse_entry(
        entry=credit_note.entry,
        entry_on=max(timezone.localdate(now), credit_note.entry.entry_on),
        reason=reason.strip(),
        acting_user=acting_user,
        now=now,
    )
    credit_note.save(update_fields=["void_entry"])
    return credit_note
