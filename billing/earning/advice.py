"""Whether an instrument is worth its repair: a rule in plain sentences, all its figures shown. It advises; a person decides.

The rule is common practice in outline, its figures are ours: no source.
"""

from dataclasses import dataclass
from decimal import Decimal

from rentals.runtime.money import ZERO, cents

MONTHS_AHEAD = {"new": 36, "good": 36, "worn": 24, "poor": 24}
"""How long an instrument rents on once it is repaired, by the condition it is in now: our assumption, no source."""
DEAR = Decimal("0.5")
"""A repair above this part of a new one's price is looked at twice."""
RULE = (
    "Repairing it is worth what it will still earn: the rent one of its kind earned a month over the last twelve months, empty "
    "months counted, less what work on one costs a month, times the months it will rent on, less this repair.",
    "Letting it go is worth what a used one sells for less the repair it would need, and nothing if that is less than nothing.",
    "Repair it when repairing is worth more; let it go when it is not. When the repair costs more than half of what a new one "
    "would, look twice before you spend it.",
    "What it still stands for in the books was spent either way. It is shown, because letting it go takes that out of the "
    "books as a loss, and it decides nothing.",
)


@dataclass(frozen=True)
class Case:
    """What is known of an instrument. Amounts in the office's currency, `rent` and `upkeep` a month.

    rent: None where nobody rented its kind. used: None where it is not sold used. book_value: None where it is not in the books.
    """

    repair: Decimal
    rent: Decimal | None
    upkeep: Decimal
    months: int
    used: Decimal | None
    replacement: Decimal
    book_value: Decimal | None


@dataclass(frozen=True)
class Advice:
    """What to do, why in one sentence, and both sides of the scale."""

    word: str
    tone: str
    reason: str
    keep: Decimal
    let_go: Decimal
    loss: Decimal | None

    @property
    def gain(self) -> Decimal:
        """By how much repairing it is worth more."""
        return self.keep - self.let_go


REPAIR, LET_GO, TWICE, UNKNOWN = "Repair it", "Let it go", "Look twice", "Not known"


def advise(case: Case) -> Advice:
    """Weigh repairing an instrument against letting it go.

    >>> facts = dict(rent=Decimal(15), upkeep=Decimal(1), months=24, used=Decimal(260), replacement=Decimal(540))
    >>> advise(Case(repair=Decimal(120), book_value=Decimal(180), **facts)).keep
    Decimal('216.00')
    """
    let_go = max(ZERO, cents((case.used or ZERO) - case.repair))
    loss = None if case.book_value is None else cents(case.book_value - let_go)
    if case.rent is None:
        reason = "No instrument of its kind was rented in the last twelve months, so nobody can say what it would earn."
        return Advice(UNKNOWN, "quiet", reason, -cents(case.repair), let_go, loss)
    keep = cents((case.rent - case.upkeep) * case.months - case.repair)
    if keep <= let_go:
        word, tone, reason = LET_GO, "bad", "It will not earn more than it is worth as it is."
    elif case.repair > case.replacement * DEAR:
        word, tone, reason = TWICE, "warn", "It would earn the repair back, but that costs more than half of a new one."
    else:
        word, tone, reason = REPAIR, "good", "What it will earn is worth more than letting it go."
    return Advice(word, tone, reason, keep, let_go, loss)
