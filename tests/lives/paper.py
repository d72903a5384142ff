"""What the second opinion writes on: rentals with their months, bills with their lines, money. Fractions, and dateutil's days."""

import math
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction

from dateutil.relativedelta import relativedelta

RANK = {"rent": 0, "protection": 1, "goods": 2, "instrument": 2, "loss": 2, "fee": 3, "refund": 4}


def cents(exact: Fraction) -> Fraction:
    """Round to the cent, half up."""
    return Fraction(math.floor(exact * 100 + Fraction(1, 2)), 100)


def written(amount: Fraction) -> str:
    """Write an amount with two decimals."""
    whole = abs(int(amount * 100))
    return f"{'-' if amount < 0 else ''}{whole // 100}.{whole % 100:02d}"


def share(text: str) -> Fraction:
    """Read `8.25 %` as a fraction."""
    return Fraction(text.removesuffix(" %")) / 100


@dataclass
class Span:
    """A period: its days, where it would have ended by itself, its price up to there."""

    begins: date
    until: date
    natural: date
    rent: Fraction
    protection: Fraction
    is_introduction: bool = False

    def part(self, amount: Fraction) -> Fraction:
        """What it costs by its actual days."""
        return cents(amount * (self.until - self.begins).days / (self.natural - self.begins).days)

    def cut(self, until: date) -> "Span":
        """The same period when it ends before: its price is still that of all its days, of which these are a part."""
        return replace(self, until=until)

    @property
    def is_free(self) -> bool:
        return not self.part(self.rent) + self.part(self.protection)


@dataclass
class Rental:
    """One instrument with one family: the days its periods are counted from and what a month costs."""

    letter: str
    household: int
    given: dict[str, str]
    anchor: date
    months: int = 0
    protected: bool = True
    spans: list[Span] = field(default_factory=list)
    billed: set[int] = field(default_factory=set)
    holds: list[list] = field(default_factory=list)
    ended: str = ""
    ended_on: date | None = None
    before: "Rental | None" = None
    is_followed: bool = False

    def __post_init__(self) -> None:
        self.begins_on = self.anchor

    def amount(self, word: str) -> Fraction:
        return Fraction(self.given.get(word, "0"))

    def span(self, n: int) -> Span:
        while len(self.spans) <= n:
            begins, until = self.day(self.months), self.day(self.months + 1)
            protection = self.amount("protection") if self.protected else Fraction(0)
            self.spans.append(Span(begins, until, until, self.amount("rent"), protection))
            self.months += 1
        return self.spans[n]

    def day(self, months: int) -> date:
        return self.anchor + relativedelta(months=months)

    def forget_from(self, n: int) -> None:
        """Forget the periods from `n` on, which are not billed yet, so that they may be told anew."""
        self.span(n)
        while len(self.spans) > n:
            self.spans.pop()
            self.months -= 1

    def move_due_day(self, n: int, number: int) -> None:
        """From period `n` on rent falls due on another day: it becomes a bridge up to the first such day after it begins.

        What was agreed for an introduction is paid for all of it: the bridge follows.
        """
        n += self.span(n).is_introduction
        begins, natural = self.span(n).begins, self.span(n).natural
        self.forget_from(n)
        first = begins + relativedelta(day=number)
        if first < begins:
            first += relativedelta(months=1)
        if first > begins:
            protection = self.amount("protection") if self.protected else Fraction(0)
            self.spans.append(Span(begins, first, natural, self.amount("rent"), protection))
        self.anchor, self.months = first, 0

    def goes_on_from(self, old: "Rental", n: int) -> None:
        """Count on from the days of the rental before, from its period `n` on, with one's own price."""
        first, begins = old.span(n), old.span(n).begins
        self.anchor = old.anchor
        if first.until < first.natural:
            protection = self.amount("protection") if self.protected else Fraction(0)
            self.spans.append(Span(begins, first.until, first.natural, self.amount("rent"), protection))
            begins = first.until
        while self.day(self.months) < begins:
            self.months += 1

    def end(self, why: str, on: date) -> None:
        self.ended, self.ended_on = why, on

    def intro(self, months: int, rent: Fraction) -> None:
        until = self.day(months)
        protection = self.amount("protection") * months if self.protected else Fraction(0)
        self.spans.append(Span(self.anchor, until, until, rent, protection, is_introduction=True))
        self.months = months

    def first_free(self, on: date) -> int:
        """The first period that is neither billed nor begun before today; what is free is not billed once it has begun."""
        n = max(self.billed, default=-1) + 1
        while self.span(n).begins < on or (self.span(n).begins == on and self.span(n).is_free):
            n += 1
        return n

    @property
    def is_on_hold(self) -> bool:
        return bool(self.holds) and self.holds[-1][1] is None

    def is_held(self, begins: date) -> bool:
        return any(begins >= since and (until is None or (forgiven and begins < until)) for since, until, forgiven in self.holds)


@dataclass
class Line:
    """A line of a bill, and how much of it which money has paid."""

    kind: str
    is_tax: bool
    amount: Fraction
    paid: dict[int, Fraction] = field(default_factory=dict)

    @property
    def open(self) -> Fraction:
        return self.amount - sum(self.paid.values())


@dataclass
class Bill:
    """A bill to a household."""

    label: str
    household: int
    due: date
    lines: list[Line]
    rental: Rental | None = None
    number: int | None = None
    span: Span | None = None
    void: bool = False

    def sum(self, *kinds: str, tax: bool | None = None) -> Fraction:
        chosen = (line for line in self.lines if not kinds or line.kind in kinds)
        return sum((line.amount for line in chosen if tax is None or line.is_tax == tax), Fraction(0))


@dataclass
class Money:
    """Money that a household gave, or a credit note, which pays in the same way but is not rent paid."""

    key: int
    household: int
    on: date
    amount: Fraction
    is_note: bool = False
    gone: bool = False
