"""What the screens of the books share: who acts, and which refusals are told in the form."""

import datetime
from decimal import Decimal, InvalidOperation
from typing import cast

from django.http import HttpRequest
from django.urls import reverse, reverse_lazy

from billing import adjustments, charges, credits, deposits, ledger, months, payments, refunds, write_offs
from billing.taking import days as taking_days
from billing.taking import operations as takings
from rentals.agreements import exemptions
from rentals.agreements.moves import MoveNotPossibleError
from rentals.families.models import Household
from rentals.runtime.fields import is_likely
from rentals.runtime.locks import RowsBusyError
from rentals.runtime.money import ZERO
from rentals.staff.models import User
from rentals.staff.operations import RequestKeyReusedError

EXPECTED = (
    ledger.MonthClosedError,
    ledger.AlreadyReversedError,
    charges.ChargeVoidedError,
    payments.AmountNotPositiveError,
    payments.ChequeNumberMissingError,
    payments.PaymentReturnedError,
    payments.ReturnedBeforeReceivedError,
    deposits.NotOnHandError,
    deposits.NothingToDepositError,
    deposits.ReceivedLaterError,
    taking_days.TakingClosedError,
    takings.ChequesNotTickedError,
    takings.DifferenceNeedsReasonError,
    takings.NotWaitingError,
    takings.OwnCountError,
    takings.NotClosedError,
    takings.DifferenceDepositedError,
    takings.ReasonMissingError,
    takings.NotAMistakeError,
    payments.PayerOfAnotherHouseholdError,
    charges.RefundLeftError,
    charges.SaleNotUndoneError,
    charges.RefundCountedError,
    credits.AmountNotPositiveError,
    credits.ReasonMissingError,
    credits.CreditNoteVoidedError,
    adjustments.AdjustmentDecidedError,
    adjustments.OwnAdjustmentError,
    adjustments.NotOfThisHouseholdError,
    write_offs.NothingToWriteOffError,
    write_offs.DebtChangedError,
    write_offs.StillRentingError,
    write_offs.NotWrittenOffError,
    refunds.StillOwingError,
    refunds.MoreThanUnusedError,
    refunds.CreditIsNotMoneyError,
    exemptions.CertificateMissingError,
    exemptions.ExpiresBeforeItBeginsError,
    exemptions.ExemptionRecordedAlreadyError,
    MoveNotPossibleError,
    months.NothingToCloseError,
    months.MonthNotOverError,
    months.MonthOutOfOrderError,
    months.BooksNotCleanError,
    RowsBusyError,
    RequestKeyReusedError,
)
"""Refusals that a person can do something about: the form says them in their own words."""

BOOKS = {"label": "Books", "url": reverse_lazy("books")}


def back_to_family(household: Household) -> dict[str, str]:
    """Return the way back to a family's page."""
    return {"label": f"{household.name} family", "url": reverse("household", args=[household.pk])}


def person(request: HttpRequest) -> User:
    """Return who is signed in; the capability was checked before."""
    return cast(User, request.user)


def day_of(text: str | None, otherwise: datetime.date | None) -> datetime.date | None:
    """Read a day from an address, or give the other one when it is missing, not a day, or none that an office means."""
    try:
        day = datetime.date.fromisoformat(text or "")
    except ValueError:
        return otherwise
    return day if is_likely(day) else otherwise


def amount_of(text: str) -> Decimal:
    """Read an amount from an address; zero when it is missing, no amount, or one that nobody can mean."""
    try:
        amount = Decimal(text.replace(",", "").strip().lstrip("$"))
    except InvalidOperation:
        return ZERO
    return amount if amount.is_finite() and ZERO < amount < 10**9 else ZERO
