"""Money: the ledger, what families owe, what they paid, what the bank says.

Amounts are plain numerics in the office's currency.
"""

from billing.models.autopay import (
    AutopayAnswers,
    AutopayAuthorisation,
    AutopayCorrection,
    AutopayCover,
    AutopayEntry,
    AutopayFile,
    AutopayFilePart,
    AutopayNotice,
    AutopayReturn,
    AutopayRun,
    AutopaySetup,
)
from billing.models.bank import (
    BankAccount,
    BankAccountKey,
    BankFile,
    BankLayout,
    BankLine,
    BankMatch,
    BankPayer,
    BankStatement,
    MatchingRun,
)
from billing.models.cards import (
    CardAttempt,
    CardEvent,
    CardPayout,
    CardRefund,
    CardTakenBack,
    PracticeCharge,
    PracticeRefund,
)
from billing.models.charges import Charge, ChargeLine
from billing.models.closing import (
    BankReconciliation,
    ClearedItem,
    Clearing,
    ClosingFile,
    ClosingPackage,
    ClosingWaiver,
    MonthReopening,
)
from billing.models.collecting import OverdueStep, StepsVersion
from billing.models.credits import Adjustment, CreditNote, Refund
from billing.models.derived import MonthTotal, OpenItem
from billing.models.fleet import DepreciatedMonth, FleetAsset, FleetDepreciation, FleetRemoval, FleetSale
from billing.models.ledger import Account, ClosedMonth, JournalEntry, Posting
from billing.models.overdue import OverdueNotice
from billing.models.payments import Allocation, Deposit, Payment, PaymentReturn
from billing.models.promises import Arrangement, CallNote, Instalment
from billing.models.purchases import PayoffQuote, Purchase
from billing.models.repairs import RepairCharge
from billing.models.runs import BillingChunk, BillingRun
from billing.models.taking import Taking, TakingCount
from billing.models.waited import WaitedCredit

__all__ = [
    "Account",
    "Adjustment",
    "Allocation",
    "Arrangement",
    "AutopayAnswers",
    "AutopayAuthorisation",
    "AutopayCorrection",
    "AutopayCover",
    "AutopayEntry",
    "AutopayFile",
    "AutopayFilePart",
    "AutopayNotice",
    "AutopayReturn",
    "AutopayRun",
    "AutopaySetup",
    "BankAccount",
    "BankAccountKey",
    "BankFile",
    "BankLayout",
    "BankLine",
    "BankMatch",
    "BankPayer",
    "BankReconciliation",
    "BankStatement",
    "BillingChunk",
    "BillingRun",
    "CallNote",
    "CardAttempt",
    "CardEvent",
    "CardPayout",
    "CardRefund",
    "CardTakenBack",
    "Charge",
    "ChargeLine",
    "ClearedItem",
    "Clearing",
    "ClosedMonth",
    "ClosingFile",
    "ClosingPackage",
    "ClosingWaiver",
    "CreditNote",
    "Deposit",
    "DepreciatedMonth",
    "FleetAsset",
    "FleetDepreciation",
    "FleetRemoval",
    "FleetSale",
    "Instalment",
    "JournalEntry",
    "MatchingRun",
    "MonthReopening",
    "MonthTotal",
    "OpenItem",
    "OverdueNotice",
    "OverdueStep",
    "Payment",
    "PaymentReturn",
    "PayoffQuote",
    "Posting",
    "PracticeCharge",
    "PracticeRefund",
    "Purchase",
    "Refund",
    "RepairCharge",
    "StepsVersion",
    "Taking",
    "TakingCount",
    "WaitedCredit",
]
