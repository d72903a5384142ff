"""The chart of accounts: every account has a name here, and nowhere else a number."""

from typing import Any, NamedTuple

from billing.models import Account

UNDEPOSITED = "1000"
BANK = "1010"
CARDS_ON_THE_WAY = "1020"
DEBITS_ON_THE_WAY = "1030"
RECEIVABLES = "1200"
FLEET = "1500"
DEPRECIATED = "1590"
SALES_TAX = "2100"
TO_CLEAR = "2900"
FLEET_TO_CLEAR = "2910"
OPENING = "3000"
RENT = "4000"
PROTECTION = "4100"
GOODS = "4200"
FEES = "4300"
LOSSES_CHARGED = "4400"
FLEET_SOLD = "4500"
CREDIT_APPLIED = "4590"
PURCHASE_DISCOUNT = "4595"
COST_OF_FLEET_SOLD = "5100"
FLEET_LOST = "5200"
DEPRECIATION = "5300"
BANK_FEES = "6100"
CARD_FEES = "6110"
CASH_DIFFERENCES = "6150"
BAD_DEBT = "6200"
ADJUSTMENTS = "6900"


class ChartLine(NamedTuple):
    """One account as a new office begins with it."""

    code: str
    name: str
    kind: Account.Kind


CHART = [
    ChartLine(UNDEPOSITED, "Cash and checks on hand", Account.Kind.ASSET),
    ChartLine(BANK, "Bank", Account.Kind.ASSET),
    ChartLine(CARDS_ON_THE_WAY, "Card payments on the way", Account.Kind.ASSET),
    ChartLine(DEBITS_ON_THE_WAY, "Bank debits on the way", Account.Kind.ASSET),
    ChartLine(RECEIVABLES, "Owed by families", Account.Kind.ASSET),
    ChartLine(FLEET, "Instruments at cost", Account.Kind.ASSET),
    ChartLine(DEPRECIATED, "Depreciation of instruments so far", Account.Kind.ASSET),
    ChartLine(SALES_TAX, "Sales tax payable", Account.Kind.LIABILITY),
    ChartLine(TO_CLEAR, "Bank receipts to clear", Account.Kind.LIABILITY),
    ChartLine(FLEET_TO_CLEAR, "Instruments bought, to clear", Account.Kind.LIABILITY),
    ChartLine(OPENING, "Opening balances", Account.Kind.EQUITY),
    ChartLine(RENT, "Rent", Account.Kind.INCOME),
    ChartLine(PROTECTION, "Protection", Account.Kind.INCOME),
    ChartLine(GOODS, "Goods sold", Account.Kind.INCOME),
    ChartLine(FEES, "Fees", Account.Kind.INCOME),
    ChartLine(LOSSES_CHARGED, "Lost and destroyed instruments charged", Account.Kind.INCOME),
    ChartLine(FLEET_SOLD, "Instruments sold", Account.Kind.INCOME),
    ChartLine(CREDIT_APPLIED, "Rental credit applied", Account.Kind.INCOME),
    ChartLine(PURCHASE_DISCOUNT, "Early-purchase discount", Account.Kind.INCOME),
    ChartLine(COST_OF_FLEET_SOLD, "Book value of instruments sold", Account.Kind.EXPENSE),
    ChartLine(FLEET_LOST, "Book value of instruments lost", Account.Kind.EXPENSE),
    ChartLine(DEPRECIATION, "Depreciation", Account.Kind.EXPENSE),
    ChartLine(BANK_FEES, "Bank fees", Account.Kind.EXPENSE),
    ChartLine(CARD_FEES, "Card fees", Account.Kind.EXPENSE),
    ChartLine(CASH_DIFFERENCES, "Cash over and short", Account.Kind.EXPENSE),
    ChartLine(BAD_DEBT, "Bad debt", Account.Kind.EXPENSE),
    ChartLine(ADJUSTMENTS, "Adjustments", Account.Kind.EXPENSE),
]


def ensure_chart(using: str = "default", **_: Any) -> None:
    """Make the accounts that are missing; leave those that are there as they are. Called after every migration."""
    accounts = [
        Account(code=a.code, name=a.name, kind=a.kind, is_receivable=a.code == RECEIVABLES, is_bank=a.code == BANK) for a in CHART
    ]
    Account.objects.using(using).bulk_create(accounts, ignore_conflicts=True)
