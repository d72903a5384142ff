"""Writing off what will not be paid, and taking a payment that comes after all.

Sales tax on bad debt may be reclaimed in some states and not in others; the program posts the whole amount to bad debt and
leaves that to the shop's tax adviser.
"""

import datetime
from decimal import Decimal
from uuid import UUID

from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from billing import credits, queries
from billing.fleet import operations as fleet
from billing.models import CreditNote, Payment
from billing.payments import PaymentGiven, take_payment
from rentals.agreements import life
from rentals.agreements import operations as agreement_operations
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.families.models import Household
from rentals.inventory.models import Custody, Instrument
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer


class NothingToWriteOffError(Exception):
    """Nothing is owed."""

    def __init__(self, what: str) -> None:
        super().__init__(f"Nothing is open on {what}, so there is nothing to write off.")
        self.what = what


class DebtChangedError(Exception):
    """What is owed is not what was shown."""

    def __init__(self, shown: Decimal, now_open: Decimal) -> None:
        super().__init__(f"Meanwhile {written(now_open)} is open, not {written(shown)}. Look again, then decide.")
        self.shown, self.now_open = shown, now_open


class StillRentingError(Exception):
    """The family has an instrument: its account cannot be written off as a whole."""

    def __init__(self, numbers: list[str]) -> None:
        many = len(numbers) > 1
        super().__init__(
            f"The family still rents on {', '.join(numbers)}. Write off what {'each of them' if many else 'it'} owes after "
            f"{'they are' if many else 'it is'} recalled or ended, or write off one ended agreement."
        )
        self.numbers = numbers


class NotWrittenOffError(Exception):
    """The credit note is no write-off in force."""

    def __init__(self, credit_note: CreditNote) -> None:
        super().__init__(f"{credit_note.number} is not a write-off in force any more. Take the payment as any other.")
        self.credit_note = credit_note


def sum_open_of_agreement(agreement: Agreement) -> Decimal:
    """Return what is charged and unpaid on an agreement, due or not."""
    return queries.sum_open_lines(agreement.household_id, agreement_id=agreement.pk)


def list_write_offs(household: Household) -> QuerySet[CreditNote]:
    """List a household's write-offs in force, the oldest first."""
    notes = CreditNote.objects.filter(household=household, kind=CreditNote.Kind.WRITE_OFF, void_entry=None)
    return notes.select_related("agreement").order_by("pk")


def with_write_offs(households: QuerySet[Household]) -> QuerySet[Household]:
    """Let these rows know, as `has_write_off`, whether a write-off of theirs is in force."""
    notes = CreditNote.objects.filter(household=OuterRef("pk"), kind=CreditNote.Kind.WRITE_OFF, void_entry=None)
    return households.annotate(has_write_off=Exists(notes))


@transaction.atomic
def write_off_agreement(
    *,
    agreement: Agreement,
    amount: Decimal,
    reason: str,
    acting_user: User,
    now: datetime.datetime,
    request_key: UUID | None = None,
) -> CreditNote:
    """Write off everything an agreement owes; `amount` is what was shown to who decided. Return the credit note.

    A recalled agreement ends as written off, and its instrument counts as lost; an ended one stays as it ended.
    Outermost. Raises MoveNotPossibleError, DebtChangedError, NothingToWriteOffError, ReasonMissingError, RequestKeyReusedError.
    """
    answered = _claim(request_key, {"agreement": agreement.pk, "amount": amount, "reason": reason}, acting_user)
    if answered is not None:
        return answered
    today = timezone.localdate(now)
    household = lock_one(Household.objects.filter(pk=agreement.household_id))
    locked: Agreement = lock_one(Agreement.objects.filter(pk=agreement.pk))
    life.check(locked, Move.WRITE_OFF)
    _check_debt(amount, sum_open_of_agreement(locked), f"agreement {locked.number}")
    note = credits.write_credit_note(
        household=household,
        agreement=locked,
        kind=CreditNote.Kind.WRITE_OFF,
        amount=amount,
        reason=reason,
        on=today,
        acting_user=acting_user,
        now=now,
    )
    if locked.is_open:
        _give_up(locked, today, acting_user, now)
    _note(note, LifeEvent.Kind.WRITTEN_OFF, f"{written(amount)}: {reason.strip()}", acting_user, now)
    _keep(request_key, note)
    return note


@transaction.atomic
def write_off_household(
    *,
    household: Household,
    amount: Decimal,
    reason: str,
    acting_user: User,
    now: datetime.datetime,
    request_key: UUID | None = None,
) -> CreditNote:
    """Write off everything a household owes that rents nothing any more; `amount` is what was shown. Return the credit note.

    Outermost. Raises StillRentingError, DebtChangedError, NothingToWriteOffError, ReasonMissingError, RequestKeyReusedError.
    """
    answered = _claim(request_key, {"household": household.pk, "amount": amount, "reason": reason}, acting_user)
    if answered is not None:
        return answered
    household = lock_one(Household.objects.filter(pk=household.pk))
    renting = list(Agreement.objects.filter(household=household, ended_on=None).order_by("pk").values_list("number", flat=True))
    if renting:
        raise StillRentingError(renting)
    _check_debt(amount, queries.sum_open_lines(household.pk), f"the account of household {household.number}")
    note = credits.write_credit_note(
        household=household,
        agreement=None,
        kind=CreditNote.Kind.WRITE_OFF,
        amount=amount,
        reason=reason,
        on=timezone.localdate(now),
        acting_user=acting_user,
        now=now,
    )
    _keep(request_key, note)
    return note


@transaction.atomic
def take_recovery(
    *,
    credit_note: CreditNote,
    given: PaymentGiven,
    acting_user: User,
    now: datetime.datetime,
    request_key: UUID | None = None,
) -> Payment:
    """Take a payment for what was written off: the write-off is voided, the payment applied, what stays unpaid written off anew.

    So rent that is paid after all earns its credit. What the payment is above the write-off pays whatever else is open.
    Outermost. Raises NotWrittenOffError, MoveNotPossibleError, AmountNotPositiveError, ChequeNumberMissingError,
    MonthClosedError, RequestKeyReusedError.
    """
    if request_key is not None:
        request = {"note": credit_note.pk, **given.as_request()}
        answer = claim_request(key=request_key, purpose="recovery", request=request, acting_user=acting_user)
        if answer is not None:
            return Payment.objects.get(pk=answer["payment"])
    household = lock_one(Household.objects.filter(pk=credit_note.household_id))
    if not list_write_offs(household).filter(pk=credit_note.pk).exists():
        raise NotWrittenOffError(credit_note)
    if credit_note.agreement is not None:
        life.check(lock_one(Agreement.objects.filter(pk=credit_note.agreement.pk)), Move.RECOVER)
    note = credits.release_credit_note(
        credit_note=credit_note, reason=f"{written(given.amount)} was paid after all", acting_user=acting_user, now=now
    )
    payment = take_payment(household=household, given=given, first=note.agreement, acting_user=acting_user, now=now)
    left = _write_off_rest(note, payment, acting_user, now)
    words = f"{written(payment.amount)} paid, {payment.number}" + (f"; {written(left)} stays written off" if left else "")
    _note(note, LifeEvent.Kind.RECOVERED, words, acting_user, now)
    if request_key is not None:
        keep_answer(key=request_key, answer={"payment": payment.pk})
    return payment


def _write_off_rest(note: CreditNote, payment: Payment, acting_user: User, now: datetime.datetime) -> Decimal:
    """Write off anew what the payment left of a write-off, at most what is open; return how much."""
    household = note.household
    still_open = queries.sum_open_lines(household.pk, agreement_id=note.agreement_id)
    left: Decimal = min(note.amount - payment.amount, still_open)
    if left <= 0:
        return ZERO
    credits.write_credit_note(
        household=household,
        agreement=note.agreement,
        kind=CreditNote.Kind.WRITE_OFF,
        amount=left,
        reason=note.reason,
        on=timezone.localdate(now),
        acting_user=acting_user,
        now=now,
    )
    return left


def _give_up(agreement: Agreement, today: datetime.date, acting_user: User, now: datetime.datetime) -> None:
    """End a recalled agreement: nobody expects back what the family still has, and that leaves the fleet's books as lost."""
    at_the_shop = [Custody.Place.SHELF, Custody.Place.BENCH]
    had = Instrument.objects.filter(agreement_units__agreement=agreement, agreement_units__ended_at=None)
    still_out = list(had.exclude(custodies__in=Custody.objects.filter(ended_at=None, place__in=at_the_shop)))
    agreement_operations.end_agreement(
        agreement=agreement, reason=Agreement.EndReason.WRITTEN_OFF, ended_on=today, acting_user=acting_user, now=now
    )
    for instrument in still_out:
        fleet.remove_asset(instrument=instrument, on=today, how="lost", acting_user=acting_user, now=now)


def _check_debt(shown: Decimal, now_open: Decimal, what: str) -> None:
    if now_open <= 0:
        raise NothingToWriteOffError(what)
    if shown != now_open:
        raise DebtChangedError(shown, now_open)


def _note(note: CreditNote, kind: str, words: str, acting_user: User, now: datetime.datetime) -> None:
    if note.agreement is not None:
        life.note_event(
            agreement=note.agreement,
            kind=kind,
            on=timezone.localdate(now),
            acting_user=acting_user,
            now=now,
            note=words,
            detail={"credit_note": note.number},
        )


def _claim(request_key: UUID | None, request: dict[str, object], acting_user: User) -> CreditNote | None:
    if request_key is None:
        return None
    answer = claim_request(key=request_key, purpose="write_off", request=request, acting_user=acting_user)
    return None if answer is None else CreditNote.objects.get(pk=answer["credit_note"])


def _keep(request_key: UUID | None, note: CreditNote) -> None:
    if request_key is not None:
        keep_answer(key=request_key, answer={"credit_note": note.pk})
