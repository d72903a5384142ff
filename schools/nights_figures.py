"""The figures directors told for the programmes of a night: read for a proposal, kept with it. Arithmetic: `nights_told`."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Max
from django.utils import timezone

from rentals.inventory.models import InstrumentKind
from schools.models import Allotment, AllotmentFigure, KindExpected, Night, UsualSize
from schools.nights_rules import Counted
from schools.nights_told import Figure

Use = AllotmentFigure.Use


@dataclass(frozen=True)
class Heard:
    """What directors told of one kind: in all, who told how many, which programmes of the night did not, since when."""

    kind: InstrumentKind
    count: int
    told: str
    untold: str
    told_on: datetime.date | None
    size: str
    """The size the director usually wants in the grade that begins; "" where none is told."""


def list_heard(night: Night) -> list[Heard]:
    """Read what the directors of a night's programmes told, by kind in the order of a score. Three queries.

    A kind of the band need not be told by the orchestra: only programmes of the same sort could know it, too.
    """
    programmes = list(night.programmes.select_related("school").order_by("school__name", "kind"))
    rows = KindExpected.objects.filter(programme__in=programmes).annotate(said_at=Max("events__pgh_created_at"))
    by_kind: dict[InstrumentKind, dict[int, KindExpected]] = {}
    for row in rows.select_related("kind").order_by("kind__order", "kind__name", "pk"):
        by_kind.setdefault(row.kind, {})[row.programme_id] = row
    begins = {each.pk: each.starting_grade for each in programmes}
    sizes = {
        row.kind_id: row.size
        for row in UsualSize.objects.filter(programme__in=programmes).order_by("-pk")
        if row.grade == begins[row.programme_id]
    }
    found = []
    for kind, told in by_kind.items():
        sorts = {each.kind for each in programmes if each.pk in told}
        silent = [str(each) for each in programmes if each.kind in sorts and each.pk not in told]
        days = [timezone.localdate(row.said_at) for row in told.values() if row.said_at]  # type: ignore[attr-defined]
        found.append(
            Heard(
                kind=kind,
                count=sum(row.count for row in told.values()),
                told="; ".join(f"{each}: {told[each.pk].count}" for each in programmes if each.pk in told)[:600],
                untold="; ".join(silent)[:600],
                told_on=min(days, default=None),
                size=sizes.get(kind.pk, ""),
            )
        )
    return found


def place(heard: Sequence[Heard], counts: Sequence[Counted]) -> tuple[list[Counted], dict[str, Use]]:
    """Return the lines with one for each kind that was told and never counted, and by kind how its figure is used.

    A kind with sizes of which nothing was counted and no usual size is told has no line: its figure is not used.
    """
    lines = list(counts)
    uses: dict[str, Use] = {}
    for each in heard:
        uses[each.kind.pk] = Use.LEAST if each.untold else Use.COUNT
        if any(line.kind == each.kind.pk for line in lines):
            continue
        if each.kind.has_sizes and not each.size:
            uses[each.kind.pk] = Use.NOT
        else:
            lines.append(Counted(each.kind.pk, each.size, 0, 0))
    return lines, uses


def keep(*, allotment: Allotment, heard: Sequence[Heard], uses: dict[str, Use]) -> None:
    """Keep the figures of a proposal with it, in place of those of the one before."""
    AllotmentFigure.objects.filter(allotment=allotment).delete()
    AllotmentFigure.objects.bulk_create(
        AllotmentFigure(
            allotment=allotment,
            kind=each.kind,
            use=uses[each.kind.pk],
            count=each.count,
            told=each.told,
            untold=each.untold,
            told_on=each.told_on,
        )
        for each in heard
    )


def figures_of(kept: Sequence[AllotmentFigure]) -> list[Figure]:
    """Return the figures that count, as the arithmetic takes them."""
    return [Figure(each.kind_id, each.count, each.use == Use.COUNT) for each in kept if each.use != Use.NOT]
