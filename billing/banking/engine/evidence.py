"""What speaks for a candidate, how strongly, and when it is certain. Pure."""

from dataclasses import dataclass
from enum import IntEnum

from billing.banking.engine.books import Fee, Way


class Name(IntEnum):
    """How well the words of a line are somebody's name, the weakest first."""

    NONE = 0
    OTHER_GIVEN = 1  # the family name with somebody else's given name
    LAST_NEAR = 2  # the family name alone, misspelt
    INITIAL_NEAR = 3
    LAST = 4  # the family name alone
    INITIAL = 5
    FULL_NEAR = 6  # both, one of them misspelt
    FULL = 7


MOST_CHANCE = {Name.LAST: 0.25, Name.INITIAL: 0.25, Name.FULL_NEAR: 0.1, Name.FULL: 0.2}
"""A name and an amount alone decide only where fewer than so many families would fit both by chance: the bench tells what
each costs. A family name alone that is misspelt never decides."""


class Key(IntEnum):
    """What of a line points to one family and no other."""

    NONE = 0
    SLIP = 1  # a number of theirs with one character wrong
    PAYER = 2  # a payer whom a person has matched with them before
    NUMBER = 3


@dataclass(slots=True)
class Candidate:
    """A family that a line may be of. `ways`: its open items that are the line's amount (gross, where a fee was kept).

    `chance`: how many families would fit name and amount as well by chance. `is_certain` is set by the assignment only.
    """

    family: int
    ways: list[Way]
    name: Name = Name.NONE
    key: Key = Key.NONE
    fee: Fee | None = None
    chance: float = 1.0
    is_certain: bool = False
    way: Way | None = None
    score: float = 0.0

    @property
    def fee_cents(self) -> int:
        """What was kept on the way."""
        return self.fee.kept(self.ways[0].cents) if self.fee and self.ways else 0

    @property
    def pays(self) -> int:
        """What reaches the bank: the items chosen, less what was kept."""
        return sum(item.cents for item in self.way.items) - self.fee_cents if self.way else 0

    @property
    def is_strong(self) -> bool:
        """Tell whether it may be certain by itself: a key and the amount, or name and amount where chance is ruled out."""
        if not self.ways:
            return False
        if self.key is Key.NUMBER or self.key is Key.PAYER:
            return True
        if self.key is Key.SLIP:
            return self.name >= Name.LAST_NEAR
        return self.chance <= MOST_CHANCE.get(self.name, -1.0)


def score_of(candidate: Candidate, day: int) -> float:
    """Weigh a candidate for the order of proposals: key, amount, name, rarity, nearness in time."""
    score = {Key.NUMBER: 40.0, Key.PAYER: 30.0, Key.SLIP: 12.0, Key.NONE: 0.0}[candidate.key] + 3.0 * candidate.name
    if candidate.ways:
        first = candidate.ways[0]
        score += 30.0 - 2.0 * (len(first.items) - 1) - (4.0 if candidate.fee else 0.0)
        score -= min(abs(day - first.items[0].day), 60) / 40
        score -= min(candidate.chance, 10.0) / 5
    return score


@dataclass(frozen=True, slots=True)
class Outcome:
    """A line's candidates, the likeliest first; `margin` is how far the first is before the next family."""

    candidates: tuple[Candidate, ...]
    margin: float

    @property
    def certain(self) -> Candidate | None:
        """The candidate that needs no second look, if there is one."""
        return self.candidates[0] if self.candidates and self.candidates[0].is_certain else None
