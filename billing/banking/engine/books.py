"""What the books hold, put in order so that a line finds what it may be in a few look-ups. Amounts are whole cents."""

import itertools
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from billing.banking.engine.words import Neighbours

MOST_ITEMS = 6
MOST_TOGETHER = 4
MOST_OF_ONE_PAYER = 4
LATEST, EARLIEST = 75, 20
"""A charge is paid by a line at most so many days after it was due, or before."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the bank: cents with their sign, the day as an ordinal, its words in capitals, the payer as remembered."""

    key: int
    cents: int
    day: int
    words: tuple[str, ...]
    initials: frozenset[str] = frozenset()
    numbers: tuple[str, ...] = ()
    payer: str = ""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing a line may pay: an open charge of a family. `day` is the day it is due, `numbers` what names it alone."""

    key: int
    cents: int
    day: int
    family: int
    numbers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Family:
    """Who may pay: guardians and students as (given name, family name) in capitals, and the numbers that name them all."""

    key: int
    people: tuple[tuple[str, str], ...]
    numbers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Fee:
    """What a card processor keeps: a share in parts of ten thousand and a fixed amount of cents a payment.

    >>> Fee(290, 30).kept(10_000), Fee(290, 30).gross(9_680)
    (320, 10000)
    """

    rate: int
    fixed: int

    def kept(self, gross: int) -> int:
        """Return the fee of a payment, half a cent rounded up."""
        return (gross * self.rate + 5_000) // 10_000 + self.fixed

    def gross(self, net: int) -> int | None:
        """Return the payment of which so much is left, None when there is none."""
        about = (net + self.fixed) * 10_000 // (10_000 - self.rate)
        return next((cents for cents in range(about - 1, about + 3) if cents - self.kept(cents) == net), None)


@dataclass(frozen=True, slots=True)
class Way:
    """Some open items of one family that add up to an amount."""

    family: int
    items: tuple[Item, ...]
    cents: int


@dataclass
class Books:
    """Everything there is to be paid, by amount and family name, by number, and how common each name and amount is.

    `remembered`: the families a payer was matched with by a person, few of them; a payer of many says nothing.
    Where only those are given that some lines may be of: `family_count` is how many there are in all, `owing` how many owe each
    amount.
    """

    items: Sequence[Item]
    families: Mapping[int, Family]
    fees: Sequence[Fee] = ()
    remembered: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    family_count: int = 0
    owing: Mapping[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Build the look-ups, once."""
        self.by_family: dict[int, list[Item]] = {}
        for item in self.items:
            self.by_family.setdefault(item.family, []).append(item)
        self.by_number: dict[str, int] = {}
        self._count_names()
        self.ways: dict[tuple[int, str], list[Way]] = {}
        self.by_amount: dict[int, list[Way]] = {}
        for key, some in self.by_family.items():
            self._add_ways(key, some)
        self.near_surnames = Neighbours(self.surnames)
        self.near_given = Neighbours(self.given)

    def _count_names(self) -> None:
        """Count in how many families each name stands: a common one says little."""
        self.surnames: Counter[str] = Counter()
        self.given: Counter[str] = Counter()
        self.full: Counter[tuple[str, str]] = Counter()
        self.initial: Counter[tuple[str, str]] = Counter()
        for family in self.families.values():
            people = family.people
            self.surnames.update({surname for _given, surname in people})
            self.given.update({given for given, _surname in people})
            self.full.update(set(people))
            self.initial.update({(given[:1], surname) for given, surname in people})
            for number in family.numbers:
                self.by_number[number] = family.key
        for item in self.items:
            for number in item.numbers:
                self.by_number[number] = item.family

    def _add_ways(self, key: int, items: list[Item]) -> None:
        surnames = {surname for _given, surname in self.families[key].people}
        for way in ways_of(key, items):
            self.by_amount.setdefault(way.cents, []).append(way)
            for surname in surnames:
                self.ways.setdefault((way.cents, surname), []).append(way)

    def of_family(self, key: int, cents: int) -> list[Way]:
        """List the ways in which a family's open items are an amount."""
        return [way for way in self.by_amount.get(cents, ()) if way.family == key]

    def commonness(self, cents: Iterable[int]) -> float:
        """Return the share of families whose open items are one of some amounts."""
        owing = sum(max(len(self.by_amount.get(each, ())), self.owing.get(each, 0)) for each in cents)
        return owing / max(self.family_count, len(self.families), 1)


def ways_of(key: int, items: Sequence[Item]) -> list[Way]:
    """List a family's open items one by one, and two to four of the oldest together."""
    if len(items) == 1:
        return [Way(key, (items[0],), items[0].cents)]
    oldest = sorted(items, key=lambda item: (item.day, item.key))
    found = [Way(key, (item,), item.cents) for item in oldest]
    for count in range(2, min(MOST_TOGETHER, len(items)) + 1):
        found += [Way(key, some, sum(x.cents for x in some)) for some in itertools.combinations(oldest[:MOST_ITEMS], count)]
    return found


def is_near(way: Way, day: int) -> bool:
    """Tell whether a line of a day may pay this."""
    return all(item.day - EARLIEST <= day <= item.day + LATEST for item in way.items)
