"""What a part of a line may be, and every refusal of a match."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import IntegrityError

from billing.models import BankAccount, BankLine
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written

MATCHED_ONCE = {"deposit_matched_once", "payment_matched_once", "entry_matched_once", "bank_match_of_what_stands"}
SPLIT = "bank-split/"
"""How the sources of the entries begin that make good a deposit in several lines; its entry follows."""
BETWEEN = "bank-between/"
"""How the source of money between two accounts begins whose both lines were matched in one act; the other line follows."""


@dataclass(frozen=True)
class Part:
    """What a part of a line is. `amount` has the line's sign: money in is positive.

    what: "entry" (something in the books that waits for its line; its own amount counts), "payment" (a new payment of a
    household), "own" (money to or from `account_id`, another account of the shop; `other_line_id`: its line there, when that is
    matched in the same act), "fee" (the bank took it), "difference" (the bank counted otherwise), "hold" (not known yet: to the
    account of what is to be cleared), "split" (the rest of a deposit that the bank split over several lines; `entry_id` is the
    deposit's).
    `made_for_it`: the entry was made in the same act, and is undone with it.
    """

    what: str
    amount: Decimal = ZERO
    entry_id: int | None = None
    household_id: int | None = None
    account_id: int | None = None
    other_line_id: int | None = None
    made_for_it: bool = False


class LineLeftOutError(Exception):
    """The line counts for nothing at present."""

    def __init__(self) -> None:
        super().__init__("This line is left out. Take it up again before you match it.")


class PartsDoNotAddUpError(Exception):
    """What was chosen is not the line's amount. `given` is what was chosen."""

    def __init__(self, amount: Decimal, given: Decimal) -> None:
        way = "missing" if (amount - given) * amount > 0 else "too much"
        said = (
            f"What you chose adds up to {written(given)}, the line is {written(amount)}: {written(abs(amount - given))} is {way}."
        )
        super().__init__(said)
        self.amount = amount
        self.given = given


class NothingChosenError(Exception):
    """A match with nothing."""

    def __init__(self) -> None:
        super().__init__("Choose what this line is: tick a deposit or a payment, or write an amount beside what it is.")


class NotOutstandingError(Exception):
    """Something that was chosen is matched with another line meanwhile, or was undone."""

    def __init__(self, titles: Sequence[str]) -> None:
        what = ", ".join(titles) or "What you chose"
        super().__init__(f"{what}: matched with another line meanwhile, or undone. Choose from what is left.")
        self.titles = list(titles)


class PaymentNotPositiveError(Exception):
    """Money that went out cannot be a family's payment."""

    def __init__(self) -> None:
        super().__init__("A payment is money that came in: its amount must be more than zero.")


class SameAccountError(Exception):
    """Money cannot move from an account to itself."""

    def __init__(self, account: BankAccount) -> None:
        super().__init__(f"This line is of {account} itself: choose the other account that the money went to or came from.")
        self.account = account


class OtherSideMatchedError(Exception):
    """Money between two accounts is matched at the other one too."""

    def __init__(self, other: BankLine) -> None:
        where = f"{other.account}, {written_day(other.posted_on, 'short')}"
        super().__init__(f"The other side of this transfer is matched with a line of {where}. Undo that match first.")
        self.other = other


class NotHeldError(Exception):
    """The line is not held, or not as a whole."""

    def __init__(self) -> None:
        super().__init__("This line is not held as a whole: undo its match, then match it anew.")


class NothingToUndoError(Exception):
    """The line is not matched."""

    def __init__(self) -> None:
        super().__init__("This line is not matched any more: somebody has undone it.")


def is_of_two_at_once(error: IntegrityError) -> bool:
    """Tell whether the database refused because somebody else was faster with the same thing."""
    return broken_rule(error) in MATCHED_ONCE


def broken_rule(error: IntegrityError) -> str:
    """Return the name of the rule of the database that was broken."""
    return getattr(getattr(error.__cause__, "diag", None), "constraint_name", "") or ""
