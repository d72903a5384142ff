"""What the bank's screens share."""

from billing import ledger, payments
from billing.banking import accounts, lists, matching, operations
from billing.banking.readers import BankFileError
from rentals.runtime.locks import RowsBusyError

REFUSALS = (
    BankFileError,
    accounts.AccountNameTakenError,
    accounts.NoBooksLeftError,
    RowsBusyError,
    ledger.MonthClosedError,
    ledger.AlreadyReversedError,
    matching.LineLeftOutError,
    matching.NotHeldError,
    matching.NothingChosenError,
    matching.NothingToUndoError,
    matching.NotOutstandingError,
    matching.OtherSideMatchedError,
    matching.PartsDoNotAddUpError,
    matching.PaymentNotPositiveError,
    matching.SameAccountError,
    lists.ColumnsNotToldError,
    operations.AccountNotNamedError,
    operations.LineMatchedError,
    operations.NothingToTakeInError,
    payments.PaymentReturnedError,
    payments.ReturnedBeforeReceivedError,
)
"""Refusals that a person can do something about: the screen says them in their own words."""

MEANWHILE = (operations.LineMatchedError, matching.NotOutstandingError, matching.NothingToUndoError, matching.NotHeldError)
"""Refusals because somebody else was faster: 409."""

BANK = {"label": "Bank", "url": "/bank/"}
