"""Pages about a family's money: receipts, statements, notices, and what goes to the bank."""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from rentals.documents.pages.parts import Addressee, FactLine, PriceLine


@dataclass(frozen=True)
class ReceiptPage:
    """A payment, what it paid for, and what is still owed; `credited` is what the office has credited to the account so far."""

    number: str
    addressee: Addressee
    received_on: datetime.date
    method: str
    amount: Decimal
    paid_for: tuple[PriceLine, ...]
    kept_on_account: Decimal
    balance: Decimal
    taken_by: str
    credited: Decimal = Decimal(0)


@dataclass(frozen=True)
class SlipCheque:
    """One check on a deposit slip: its number, the family it came from, and its amount."""

    number: str
    family: str
    amount: Decimal


@dataclass(frozen=True)
class DepositSlipPage:
    """What goes to the bank together: cash and checks. `account` and `last_four` are "" while no account is known."""

    number: str
    deposited_on: datetime.date
    account: str
    last_four: str
    cash: Decimal
    cheques: tuple[SlipCheque, ...]
    cheque_total: Decimal
    total: Decimal
    made_by: str


@dataclass(frozen=True)
class OverdueItem:
    """One unpaid charge."""

    due_on: datetime.date
    what: str
    open_amount: Decimal


@dataclass(frozen=True)
class OverduePage:
    """A letter about what is overdue: `step` is how it is worded: 1 friendly, 2 firm, 3 the last before the manager decides.

    `heading`, and the paragraphs before (`opening`) and after (`closing`) the figures, are its words as they were in force.
    """

    step: int
    addressee: Addressee
    dated_on: datetime.date
    answer_by: datetime.date
    items: tuple[OverdueItem, ...]
    total: Decimal
    heading: str = ""
    opening: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()


@dataclass(frozen=True)
class StatementRow:
    """One entry on an account: a bill with its lines, a payment, a credit; and the balance after it."""

    on: datetime.date
    what: str
    lines: tuple[PriceLine, ...]
    charged: Decimal | None
    credited: Decimal | None
    balance: Decimal


@dataclass(frozen=True)
class StatementItem:
    """Something unpaid, or the next bill of an agreement before it is made."""

    due_on: datetime.date
    what: str
    amount: Decimal


@dataclass(frozen=True)
class StatementCredit:
    """What rent has built up toward owning one instrument, and its price at signing."""

    agreement: str
    instrument: str
    credit: Decimal
    price: Decimal


@dataclass(frozen=True)
class StatementPage:
    """A household's account over some days, both included. A positive balance is owed, a negative one is money on account.

    With a `payer` it is one guardian's part: his shares of the bills and his own payments. `heading`, `before` and `after` are
    its words as they were in force; `opening` and `closing` are balances.
    """

    addressee: Addressee
    dated_on: datetime.date
    begins_on: datetime.date
    through_on: datetime.date
    opening: Decimal
    rows: tuple[StatementRow, ...]
    closing: Decimal
    open_items: tuple[StatementItem, ...]
    credits: tuple[StatementCredit, ...]
    next_due: tuple[StatementItem, ...]
    payer: str = ""
    heading: str = ""
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()


@dataclass(frozen=True)
class AutopayPage:
    """One thing about a family's autopay: what was authorised, what will be debited, what came back.

    `sentences` are whole paragraphs in the family's language; `amounts` add up to `total`. `signer`: who authorised, or "".
    `translation`: where the English `sentences` were signed, what they mean in the family's language; the English counts.
    An account is named by its last four digits only. Where the office's words are in force they stand in `opening` and `closing`
    instead of `sentences`, and `places` is what they were filled with.
    """

    heading: str
    dated_on: datetime.date
    addressee: Addressee
    facts: tuple[FactLine, ...]
    amounts: tuple[PriceLine, ...]
    total: Decimal
    sentences: tuple[str, ...]
    signer: str
    translation: tuple[str, ...] = ()
    opening: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()
    places: tuple[FactLine, ...] = ()


@dataclass(frozen=True)
class ReturnedPaymentPage:
    """A check or debit that the bank sent back: `items` are what it had paid, `balance` how the account stands since.

    `reason` is the bank's, in the words in which it came; `cheque_number` is "" for a debit. Its words as in `OverduePage`.
    """

    addressee: Addressee
    dated_on: datetime.date
    number: str
    is_check: bool
    cheque_number: str
    amount: Decimal
    received_on: datetime.date
    reason: str
    items: tuple[OverdueItem, ...]
    balance: Decimal
    heading: str = ""
    opening: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()
