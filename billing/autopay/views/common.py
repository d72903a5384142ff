"""What the screens of autopay share."""

from django.urls import reverse_lazy

from billing import deposits, ledger, payments
from billing.autopay import answering, authorising, filing, refusing, running
from billing.autopay.crypto import KeyMissingError, SealBrokenError
from rentals.runtime.locks import RowsBusyError
from rentals.staff.operations import RequestKeyReusedError

EXPECTED = (
    authorising.AccountNotCheckedError,
    authorising.AlreadyAuthorisedError,
    authorising.NotInForceError,
    authorising.ReasonMissingError,
    authorising.SetupMissingError,
    answering.AnswersTakenError,
    filing.ModifiersUsedUpError,
    filing.SelfCheckError,
    refusing.FileAnsweredError,
    refusing.FileReachedBankError,
    refusing.ReasonMissingError,
    running.NothingToDebitError,
    running.OwnRunError,
    running.RunMovedOnError,
    running.RunUnderWayError,
    running.TooFarAheadError,
    running.TooLateError,
    deposits.NotOnHandError,
    payments.PaymentReturnedError,
    ledger.MonthClosedError,
    KeyMissingError,
    SealBrokenError,
    RowsBusyError,
    RequestKeyReusedError,
)
"""Refusals that a person can do something about: the page says them in their own words."""

AUTOPAY = {"label": "Autopay", "url": reverse_lazy("autopay")}
CAUTION = "What may be debited, in which form and when, the shop’s bank, the current Nacha Rules and counsel decide."
