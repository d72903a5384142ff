"""How a line of an allotment came about, in words that can be followed with a pencil."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from schools.models import Allotment, AllotmentFigure, AllotmentLine
from schools.nights_rules import Basis, Chance, Counted
from schools.nights_stock import Need
from schools.nights_told import Plan

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


def explain(line: AllotmentLine, allotment: Allotment, plan: Plan, figures: Mapping[str, AllotmentFigure]) -> Workings | None:
    """Explain a line that was counted or told; None for one put on the list by hand. `figures` by kind, `plan` of all lines.

    Shares are rounded to a tenth of a percent for reading; the quantity is worked out from the whole fractions.
    """
    group = plan.group_of(line.kind_id)
    cell = next((cell for cell in group.cells if (cell.kind, cell.size) == (line.kind_id, line.size)), None)
    if cell is None:
        return None
    figure = figures.get(line.kind_id)
    if group.is_told and figure:
        return _explain_told(cell, allotment, plan, figure)
    table = group.steps(cell)
    steps = [] if not plan.told else [_rest_step(plan, {kind: figures[kind] for kind in plan.told})]
    steps += [*_share_steps(cell, group.basis, allotment), _expected_step(cell, group.basis), *_level_steps(table, group.basis)]
    if figure and figure.use == AllotmentFigure.Use.LEAST:
        steps.append(_least_step(cell, plan, figure, table[-1].count))
    return Workings(steps=steps, table=_shown(table))


def _shown(table: Sequence[Chance]) -> list[tuple[int, str, str]]:
    rows = table if len(table) <= AROUND + 1 else [table[0], *table[-AROUND:]]
    return [(each.count, f"{each.exactly:.1%}", f"{each.at_most:.1%}") for each in rows]


def _explain_told(cell: Counted, allotment: Allotment, plan: Plan, figure: AllotmentFigure) -> Workings:
    group = plan.groups[cell.kind]
    count = group.basis.families
    steps = [f"Told by the directors: {figure.told}."]
    if plan.told_in_all > plan.families:
        steps.append(
            f"All that was told comes to {plan.told_in_all}, more than the {plan.families} families expected, so every figure is "
            f"brought down: {figure.count} × {plan.families} ÷ {plan.told_in_all}, in whole numbers that add up: {count}."
        )
    if len(group.cells) == 1:
        steps.append(f"No reserve is added to what was told, for not every beginner rents: so {count}.")
        return Workings(steps=steps, table=[])
    steps.append(f"The {count} are shared by the sizes of the kind; these alone are counted here.")
    table, up = group.steps(cell), group.rounded_up(cell)
    steps += [*_share_steps(cell, group.basis, allotment), _expected_step(cell, group.basis), *_level_steps(table, group.basis)]
    steps.append(
        f"At least what is expected, rounded up ({up}), and of one size never more than all that were told ({count}): "
        f"so {group.quantity(cell)}."
    )
    return Workings(steps=steps, table=_shown(table))


def _rest_step(plan: Plan, told: Mapping[str, AllotmentFigure]) -> str:
    names = ", ".join(f"{told[kind].kind.name} {count}" for kind, count in plan.told.items())
    left = plan.rest.basis.families
    if not left:
        return f"What directors told ({names}) takes all {plan.families} families expected: none are left for other kinds."
    return (
        f"Of {plan.families} families expected, {plan.counted_in_all} are told by directors ({names}). The other {left} share "
        "the kinds nobody told; only these are counted here."
    )


def _least_step(cell: Counted, plan: Plan, figure: AllotmentFigure, enough: int) -> str:
    least = plan.least_of(cell)
    words = f"Told: {figure.told}; not told by {figure.untold}. So the figure is no count, but the least to take along: "
    return words + f"{least} of this line. The greater of {enough} and {least}: so {max(enough, least)}."


def _share_steps(cell: Counted, basis: Basis, allotment: Allotment) -> list[str]:
    own = f"Own history: {cell.own} of {basis.own_total} families took it."
    if not basis.pooled_total:
        return [own, "There is no pool to lean on: only the school's own sign-ups count."]
    share = cell.pooled / basis.pooled_total
    pool = f"In the pool, {allotment.pool}: {cell.pooled} of {basis.pooled_total}, that is {share:.1%}."
    if not basis.weight:
        return [own, pool, "The pool counts for nothing here (its weight is 0)."]
    return [own, pool, f"The pool counts as {basis.weight} families: {basis.weight} × {share:.1%} = {basis.weight * share:.2f}."]


def _expected_step(cell: Counted, basis: Basis) -> str:
    shape = float(basis.shape(cell))
    share = shape / basis.rate if basis.rate else 0
    return (
        f"Share: {shape:.2f} of {basis.rate} families ({cell.own} + {shape - cell.own:.2f} of {basis.own_total} + "
        f"{basis.rate - basis.own_total}), that is {share:.1%}. "
        f"Expected: {basis.families} families × {share:.1%} = {float(basis.share(cell)) * basis.families:.2f}."
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


def how_chances_go(plan: Plan) -> str:
    """Say how each chance of the tables follows from the one before; in numbers where all lines share the same families."""
    then = "Each next chance is the one before × (s + k) ÷ (k + 1) × "
    if plan.told:
        return (
            "Let s be the share of a line in families, n the families it is counted from and f those expected, as its steps "
            f"say. The chance that nobody asks is (n ÷ (n + f)) to the power s. {then}f ÷ (n + f), k being the count before."
        )
    basis = plan.rest.basis
    step = Decimal(basis.families) / (basis.families + basis.rate or 1)
    return (
        f"Let s be the share in families. The chance that nobody asks is ({basis.rate} ÷ {basis.rate + basis.families}) to the "
        f"power s. {then}{step:.4f}, where k is the count before and {step:.4f} is "
        f"{basis.families} ÷ {basis.families + basis.rate}."
    )
