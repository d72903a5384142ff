"""What directors told, in the arithmetic of an allotment; pure. What was counted and the chances: `nights_rules`.

The rule, for a pencil. A figure told by all that should know it is the count of its kind: it is taken off the families expected,
and shared among the sizes of the kind as families took them before. Where only some told, the figure is the least to take along.
The families that are left share the other kinds by what was counted. No reserve is added to a figure, for not every beginner
rents and those who do not are the reserve (common practice, no source); each size has its own, but never more than was told.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

from schools.nights_rules import Basis, Chance, Counted, Proposal, split_whole


@dataclass(frozen=True)
class Figure:
    """How many begin on a kind, as directors told; `is_all`: everybody who should know it told it."""

    kind: str
    count: int
    is_all: bool = True


@dataclass(frozen=True)
class Group:
    """Lines that share a number of families: those of one kind that was told, or all that nobody told of."""

    cells: tuple[Counted, ...]
    basis: Basis
    is_told: bool

    def share(self, cell: Counted) -> Fraction:
        """Return what part of the group's families take a line; the only line of a kind that was told: all of them."""
        if self.is_told and len(self.cells) == 1:
            return Fraction(1)
        return self.basis.share(cell)

    def rounded_up(self, cell: Counted) -> int:
        """Return the line's average share of the families, rounded up."""
        return math.ceil(self.share(cell) * self.basis.families)

    def steps(self, cell: Counted) -> list[Chance]:
        """List the chances that lead to the quantity of a line; none where a figure is its one line."""
        return [] if self.is_told and len(self.cells) == 1 else self.basis.steps(cell)

    def quantity(self, cell: Counted) -> int:
        """Return how many to take along of a line."""
        steps = self.steps(cell)
        enough = steps[-1].count if steps else 0
        return min(self.basis.families, max(self.rounded_up(cell), enough)) if self.is_told else enough


@dataclass(frozen=True)
class Plan:
    """How the families of a night are shared: the kinds that were told, as counted; the least of others; what is left."""

    families: int
    told: dict[str, int]
    told_in_all: int
    groups: dict[str, Group]
    least: dict[str, Group]
    rest: Group

    @property
    def counted_in_all(self) -> int:
        """How many families the figures take, never more than are expected."""
        return sum(self.told.values())

    def group_of(self, kind: str) -> Group:
        """Return the group in which a kind takes part."""
        return self.groups.get(kind, self.rest)

    def least_of(self, cell: Counted) -> int:
        """Return the least to take along of a line, where only some told of its kind."""
        return self.least[cell.kind].rounded_up(cell) if cell.kind in self.least else 0


def make_plan(counts: Sequence[Counted], basis: Basis, figures: Sequence[Figure]) -> Plan:
    """Share the families of a night among what was told and the rest.

    Figures that come to more than the families expected are brought down in proportion, in whole numbers that add up to them.
    Every kind of a figure has a line in `counts`.
    """
    firm = [figure for figure in figures if figure.is_all]
    in_all = sum(figure.count for figure in firm)
    counted = [figure.count for figure in firm]
    if in_all > basis.families:
        counted = split_whole(basis.families, counted)
    told = {figure.kind: count for figure, count in zip(firm, counted, strict=True)}
    rest = [cell for cell in counts if cell.kind not in told]
    return Plan(
        families=basis.families,
        told=told,
        told_in_all=in_all,
        groups={kind: _of_kind(counts, basis, kind, count) for kind, count in told.items()},
        least={each.kind: _of_kind(counts, basis, each.kind, each.count) for each in figures if not each.is_all},
        rest=_group(rest, basis, basis.families - sum(counted), is_told=False),
    )


def _of_kind(counts: Sequence[Counted], basis: Basis, kind: str, count: int) -> Group:
    return _group([cell for cell in counts if cell.kind == kind], basis, count, is_told=True)


def _group(cells: Sequence[Counted], basis: Basis, families: int, *, is_told: bool) -> Group:
    own, pooled = sum(cell.own for cell in cells), sum(cell.pooled for cell in cells)
    return Group(tuple(cells), replace(basis, families=families, own_total=own, pooled_total=pooled), is_told)


def propose(counts: Sequence[Counted], basis: Basis, figures: Sequence[Figure] = ()) -> list[Proposal]:
    """Propose a quantity for every line, in the order given; `whole` is the average split.

    The wholes add up to the families expected, unless all kinds that were ever counted are told and there are families left.
    """
    plan = make_plan(counts, basis, figures)
    found: dict[Counted, Proposal] = {}
    for group in (*plan.groups.values(), plan.rest):
        families = group.basis.families
        shares = [group.share(cell) for cell in group.cells]
        for cell, share, whole in zip(group.cells, shares, split_whole(families, shares), strict=True):
            found[cell] = Proposal(
                counted=cell,
                share=share,
                expected=(Decimal(share.numerator) * families / share.denominator).quantize(Decimal("0.01"), ROUND_HALF_UP),
                whole=whole,
                quantity=max(group.quantity(cell), plan.least_of(cell)),
            )
    return [found[cell] for cell in counts]
