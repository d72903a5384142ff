"""Payments: taking one, and one that comes back."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import transaction

from billing import allocation, banks, chart, ledger, purchases
from billing.models import JournalEntry, Payment, PaymentReturn
from billing.taking.days import take_into
from rentals.agreements.models import Agreement
from rentals.families.models import Guardian, Household
from rentals.runtime.locks import lock_one
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer, take_number, take_numbers

WORDS = {
    PaymentReturn.Kind.BANK: "returned",
    PaymentReturn.Kind.MISTAKE: "voided",
    PaymentReturn.Kind.FILE: "taken back with its file",
}
"""What happened to a payment that counts no more."""


class AmountNotPositiveError(Exception):
    """A payment of nothing, or of less."""

    def __init__(self) -> None:
        super().__init__("A payment must be more than zero.")


class ChequeNumberMissingError(Exception):
    """A check was taken without its number."""

    def __init__(self) -> None:
        super().__init__("Write the check's number: it is printed at the top right of the check.")


class PayerOfAnotherHouseholdError(Exception):
    """Who is named as the payer is no guardian of the household."""

    def __init__(self, guardian: Guardian, household: Household) -> None:
        super().__init__(f"{guardian} is not a guardian of household {household.number}. Choose one who is.")
        self.guardian, self.household = guardian, household


class PaymentReturnedError(Exception):
    """The payment came back, or was voided, before."""

    def __init__(self, payment: Payment) -> None:
        super().__init__(f"Payment {payment.number} was {WORDS[PaymentReturn.Kind(payment.payment_return.kind)]} already.")
        self.payment = payment


class ReturnedBeforeReceivedError(Exception):
    """A payment cannot come back before it was taken."""

    def __init__(self, payment: Payment) -> None:
        super().__init__(
            f"Payment {payment.number} was taken on {written_day(payment.received_on)}: it cannot come back earlier."
        )
        self.payment = payment


@dataclass(frozen=True)
class PaymentGiven:
    """Money as it was handed over. `paid_by`: which guardian, where guardians share what an agreement costs.

    `books`: of a transfer, the bank's account in the ledger that it reached, where that is known.
    """

    method: str
    amount: Decimal
    received_on: datetime.date
    cheque_number: str = ""
    paid_by: Guardian | None = None
    books: str = ""

    def as_request(self) -> dict[str, Any]:
        """Return what tells one sending of a form from another."""
        payer = {"paid_by": self.paid_by.pk} if self.paid_by else {}
        return {"method": self.method, "amount": self.amount, "on": self.received_on, "cheque": self.cheque_number, **payer}


@transaction.atomic
def record_payment(
    *,
    household: Household,
    method: str,
    amount: Decimal,
    received_on: datetime.date,
    acting_user: User,
    now: datetime.datetime,
    cheque_number: str = "",
    paid_by: Guardian | None = None,
    books: str = "",
    request_key: UUID | None = None,
) -> Payment:
    """Take a payment and apply it, oldest due date first; what is left stays on the household's account.

    Sent again with the same `request_key` it returns the payment made before. Outermost, or inside a sign-up.
    Raises AmountNotPositiveError, ChequeNumberMissingError, PayerOfAnotherHouseholdError, MonthClosedError,
    TakingClosedError, RequestKeyReusedError.
    """
    given = PaymentGiven(method, amount, received_on, cheque_number, paid_by, books)
    _check(given)
    if request_key is not None:
        request = {"household": household.pk, **given.as_request()}
        answer = claim_request(key=request_key, purpose="payment", request=request, acting_user=acting_user)
        if answer is not None:
            return Payment.objects.get(pk=answer["payment"])
    lock_one(Household.objects.filter(pk=household.pk))
    payment = take_payment(household=household, given=given, acting_user=acting_user, now=now)
    if request_key is not None:
        keep_answer(key=request_key, answer={"payment": payment.pk})
    return payment


def take_payment(
    *,
    household: Household,
    given: PaymentGiven,
    acting_user: User,
    now: datetime.datetime,
    first: Agreement | None = None,
) -> Payment:
    """Post a payment, save it and apply it: inside an operation that has locked the household.

    It pays the open lines of the agreement `first` before the household's others. Raises AmountNotPositiveError,
    ChequeNumberMissingError, PayerOfAnotherHouseholdError, MonthClosedError, TakingClosedError.
    """
    _check(given)
    if given.paid_by is not None and given.paid_by.household_id != household.pk:
        raise PayerOfAnotherHouseholdError(given.paid_by, household)
    payment = Payment(
        pk=ledger.next_id(Payment),
        household=household,
        method=given.method,
        cheque_number=given.cheque_number.strip() if given.method == Payment.Method.CHEQUE else "",
        amount=given.amount,
        received_on=given.received_on,
        paid_by=given.paid_by,
        taking_id=take_into(method=given.method, person=acting_user, now=now),
        taken_at=now,
        taken_by=acting_user,
    )
    payment.entry = ledger.post_entry(
        entry_on=given.received_on,
        kind=JournalEntry.Kind.PAYMENT,
        memo=f"{payment.get_method_display()} {payment.cheque_number}".strip() + f" from {household.number}",
        source=f"payment/{payment.pk}",
        postings=[
            ledger.Line(given.books or account_of(given.method), given.amount),
            ledger.Line(chart.RECEIVABLES, -given.amount, household.pk),
        ],
        acting_user=acting_user,
        now=now,
    )
    payment.number = f"P-{take_number('payment'):06}"
    payment.save(force_insert=True)
    if first is not None:
        allocation.pay_agreement_first(household_id=household.pk, agreement_id=first.pk, payment_id=payment.pk, now=now)
    allocation.apply_credit(household_ids=[household.pk], now=now)
    purchases.ask_for_bills_of_sale(purchases=purchases.list_without_bill_of_sale(household.pk), now=now)
    return payment


def take_debits(
    *, debits: Sequence[tuple[Household, Decimal]], received_on: datetime.date, acting_user: User, now: datetime.datetime
) -> list[Payment]:
    """Post, save and apply many bank debits at once, a few statements in all: inside the run that has locked the households.

    Returns the payments in the order given. Raises MonthClosedError.
    """
    made = [
        Payment(
            pk=key,
            household=household,
            method=Payment.Method.DEBIT,
            amount=amount,
            received_on=received_on,
            taken_at=now,
            taken_by=acting_user,
        )
        for key, (household, amount) in zip(ledger.next_ids(Payment, len(debits)), debits, strict=True)
    ]
    drafts = [
        ledger.Draft(
            received_on,
            JournalEntry.Kind.PAYMENT,
            f"Bank debit from {payment.household.number}",
            f"payment/{payment.pk}",
            [
                ledger.Line(chart.DEBITS_ON_THE_WAY, payment.amount),
                ledger.Line(chart.RECEIVABLES, -payment.amount, payment.household_id),
            ],
            made_at=now,
        )
        for payment in made
    ]
    first = take_numbers("payment", len(made))
    for place, (payment, entry) in enumerate(zip(made, ledger.post_entries(drafts=drafts, acting_user=acting_user), strict=True)):
        payment.entry, payment.number = entry, f"P-{first + place:06}"
    Payment.objects.bulk_create(made)
    allocation.apply_credit(household_ids=sorted({payment.household_id for payment in made}), now=now)
    return made


def _check(given: PaymentGiven) -> None:
    if given.amount <= 0:
        raise AmountNotPositiveError
    if given.method == Payment.Method.CHEQUE and not given.cheque_number.strip():
        raise ChequeNumberMissingError


@transaction.atomic
def return_payment(
    *,
    payment: Payment,
    reason: str,
    returned_on: datetime.date,
    acting_user: User,
    now: datetime.datetime,
    books: str = "",
) -> PaymentReturn:
    """Take back a payment that bounced: what it paid is owed again, and its rental credit is gone.

    The money leaves the bank's account that it had reached, or `books` where the bank took it from another of ours; money that
    had not reached a bank leaves what is on hand or on its way.
    Outermost. Raises PaymentReturnedError, ReturnedBeforeReceivedError, MonthClosedError.
    """
    back = Back(PaymentReturn.Kind.BANK, reason, returned_on, books)
    return take_back(payment=lock_payment(payment), back=back, acting_user=acting_user, now=now)


def why_not_returned(payment: Payment) -> str:
    """Return why the bank cannot have sent a payment back, with the path that is right; "" when it can have."""
    if payment.method == Payment.Method.CASH and payment.deposit_id is None:
        return (
            f"{payment.number} is cash that is not deposited, so no bank can send it back. Void it on its own day if it was "
            "taken by mistake; if the family gets the money back, make a refund."
        )
    return ""


@dataclass(frozen=True)
class Back:
    """Why and when a payment is taken back; `kind` of PaymentReturn, `books` of the bank's account it left, "" for its own."""

    kind: str
    reason: str
    on: datetime.date
    books: str = ""


def lock_payment(payment: Payment) -> Payment:
    """Lock a payment and its household, and return it as it stands. Raises PaymentReturnedError."""
    lock_one(Household.objects.filter(pk=payment.household_id))
    locked: Payment = lock_one(Payment.objects.filter(pk=payment.pk))
    if PaymentReturn.objects.filter(payment=locked).exists():
        raise PaymentReturnedError(locked)
    return locked


def take_back(*, payment: Payment, back: Back, acting_user: User, now: datetime.datetime) -> PaymentReturn:
    """Undo what a locked payment did: release what it paid, post it back, write the return down.

    Inside an operation that called `lock_payment`. Raises ReturnedBeforeReceivedError, MonthClosedError.
    """
    if back.on < payment.received_on:
        raise ReturnedBeforeReceivedError(payment)
    allocation.release_of_payment(payment_id=payment.pk, now=now)
    entry = ledger.post_entry(
        entry_on=back.on,
        kind=JournalEntry.Kind.RETURNED_PAYMENT,
        memo=f"Payment {payment.number} {WORDS[PaymentReturn.Kind(back.kind)]}: {back.reason}",
        source=_source_of_return(payment),
        postings=[
            ledger.Line(chart.RECEIVABLES, payment.amount, payment.household_id),
            ledger.Line(back.books or _where(payment, back.kind), -payment.amount),
        ],
        acting_user=acting_user,
        now=now,
    )
    returned = PaymentReturn.objects.create(
        kind=back.kind,
        payment=payment,
        returned_on=back.on,
        reason=back.reason,
        entry=entry,
        made_at=now,
        made_by=acting_user,
    )
    allocation.apply_credit(household_ids=[payment.household_id], now=now)
    return returned


def _where(payment: Payment, kind: str) -> str:
    """The account that a payment leaves: the bank's it reached.

    Of a card it is what is on the way, because later payouts are less; of a refused file too, because its deposit is undone.
    """
    never_there = payment.method == Payment.Method.CARD or kind == PaymentReturn.Kind.FILE
    return (None if never_there else banks.books_of_payment(payment)) or account_of(payment.method)


def _source_of_return(payment: Payment) -> str:
    """Return the source of a return's entry, told apart from those that were undone before."""
    undone = JournalEntry.objects.filter(source__regex=rf"^payment-return/{payment.pk}(/\d+)?$").count()
    return f"payment-return/{payment.pk}" + (f"/{undone}" if undone else "")


LANDS_ON = {
    Payment.Method.CASH: chart.UNDEPOSITED,
    Payment.Method.CHEQUE: chart.UNDEPOSITED,
    Payment.Method.CARD: chart.CARDS_ON_THE_WAY,
    Payment.Method.DEBIT: chart.DEBITS_ON_THE_WAY,
}


def account_of(method: str) -> str:
    """Return the account that money lands on when it is taken: on hand, on its way to the bank, or at the bank already."""
    return LANDS_ON.get(Payment.Method(method)) or banks.deposit_books()
