"""How a line of an allotment came about, in words that can be followed with a pencil."""

from dataclasses import dataclass
from decimal import Decimal

from schools.models import Allotment, AllotmentLine
from schools.nights_allotment import basis_of
from schools.nights_rules import Basis, Chance, Counted
from schools.nights_stock import Need

AROUND = 4
"""Rows of the table of chances that are shown before the one that decides."""


@dataclass(frozen=True)
class Workings:
    """The arithmetic of one line: each step as a sentence, and its table of chances: the first, and the last before the level."""

    steps: list[str]
    table: list[tuple[int, str, str]]


@dataclass(frozen=True)
class Row:
    """A line of the allotment's page: the line, what the shelf has for it, and how it came about."""

    need: Need
    workings: Workings | None

    @property
    def line(self) -> AllotmentLine:
        """The line itself."""
        return self.need.line

    @property
    def on_shelf(self) -> int:
        """How many of what is still to load the shelf of the shop has."""
        return len(self.need.picks)


def explain(line: AllotmentLine, allotment: Allotment) -> Workings | None:
    """Explain a line that was counted; None for one put on the list by hand.

    Shares are rounded to a tenth of a percent for reading; the quantity is worked out from the whole fractions.
    """
    if not line.own and not line.pooled:
        return None
    basis = basis_of(allotment)
    counted = Counted(line.kind_id, line.size, line.own, line.pooled)
    table = basis.steps(counted)
    steps = [*_share_steps(line, basis, allotment), _expected_step(line, basis, counted), *_level_steps(table, basis)]
    shown = table if len(table) <= AROUND + 1 else [table[0], *table[-AROUND:]]
    return Workings(steps=steps, table=[(each.count, f"{each.exactly:.1%}", f"{each.at_most:.1%}") for each in shown])


def _share_steps(line: AllotmentLine, basis: Basis, allotment: Allotment) -> list[str]:
    own = f"Own history: {line.own} of {basis.own_total} families took it."
    if not basis.pooled_total:
        return [own, "There is no pool to lean on: only the school's own sign-ups count."]
    share = line.pooled / basis.pooled_total
    pool = f"In the pool, {allotment.pool}: {line.pooled} of {basis.pooled_total}, that is {share:.1%}."
    if not basis.weight:
        return [own, pool, "The pool counts for nothing here (its weight is 0)."]
    return [own, pool, f"The pool counts as {basis.weight} families: {basis.weight} × {share:.1%} = {basis.weight * share:.2f}."]


def _expected_step(line: AllotmentLine, basis: Basis, counted: Counted) -> str:
    shape = float(basis.shape(counted))
    share = shape / basis.rate if basis.rate else 0
    return (
        f"Share: {shape:.2f} of {basis.rate} families ({line.own} + {shape - line.own:.2f} of {basis.own_total} + "
        f"{basis.rate - basis.own_total}), that is {share:.1%}. "
        f"Expected: {basis.families} families × {share:.1%} = {line.expected}."
    )


def _level_steps(table: list[Chance], basis: Basis) -> list[str]:
    last, level = table[-1], f"{(basis.level * 100).normalize():f} of 100"
    if len(table) == 1:
        return [f"None is enough on {last.at_most:.1%} of such nights, and {level} are asked: so none."]
    before = table[-2]
    return [
        f"{before.count} would be enough on {before.at_most:.1%} of such nights, {last.count} on {last.at_most:.1%}; "
        f"enough on {level} is asked: so {last.count}."
    ]


def how_chances_go(allotment: Allotment) -> str:
    """Say how each chance of the tables follows from the one before."""
    basis = basis_of(allotment)
    step = Decimal(basis.families) / (basis.families + basis.rate or 1)
    return (
        f"Let s be the share in families. The chance that nobody asks is ({basis.rate} ÷ {basis.rate + basis.families}) to the "
        "power s. "
        f"Each next chance is the one before × (s + k) ÷ (k + 1) × {step:.4f}, where k is the count before and {step:.4f} is "
        f"{basis.families} ÷ {basis.families + basis.rate}."
    )
