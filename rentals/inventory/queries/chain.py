"""Where an instrument is and was, line by line: with whom, on which agreement, why, and for how long."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dateutil.relativedelta import relativedelta
from django.db.models import Count, FilteredRelation, OuterRef, Q, QuerySet, Subquery

from rentals.inventory.models import Custody, Instrument, PrintedLabel
from rentals.inventory.queries import list_instruments

TONES = {"shelf": "good", "bench": "warn", "van": "info", "family": "info", "school": "info", "lost": "bad"}


@dataclass(frozen=True)
class ChainLine:
    """One stay of an instrument. `unit` puts it on an agreement meanwhile (with agreement and student), or is None."""

    custody: Custody
    unit: Any
    lasted: str

    @property
    def is_now(self) -> bool:
        """Whether it is there still."""
        return self.custody.ended_at is None

    @property
    def tone(self) -> str:
        """The tone of its place for a status word."""
        return TONES.get(self.custody.place, "quiet")

    @property
    def initials(self) -> str:
        """The student's initials, which is all a technician may read; "" where it was with nobody."""
        return str(self.unit.agreement.student.initials) if self.unit else ""


def list_units(instrument: Instrument) -> list[Any]:
    """Return every line that put the instrument on an agreement, with agreement and student, newest first.

    By the name of the relation: this room may not import agreements.
    """
    manager = Instrument._meta.get_field("agreement_units").related_model._default_manager
    found = manager.filter(instrument=instrument).select_related("agreement__student").order_by("-began_at", "-pk")
    return list(found)


def list_chain(custodies: Sequence[Custody] | QuerySet[Custody], units: Sequence[Any], now: datetime.datetime) -> list[ChainLine]:
    """Put stays (newest first) together with the agreements of their time: the one on which the family had it then."""
    return [ChainLine(each, _unit_of(each, units), how_long(each.began_at, each.ended_at or now)) for each in custodies]


def _unit_of(custody: Custody, units: Sequence[Any]) -> Any:
    if custody.place != Custody.Place.FAMILY:
        return None
    for unit in units:
        begins_in_time = custody.ended_at is None or unit.began_at < custody.ended_at
        if begins_in_time and (unit.ended_at is None or unit.ended_at > custody.began_at):
            return unit
    return None


def how_long(began_at: datetime.datetime, ended_at: datetime.datetime) -> str:
    """Say how long something lasted in the two largest units that tell anything.

    >>> day = datetime.datetime(2026, 1, 31, 9, 0)
    >>> how_long(day, day + datetime.timedelta(hours=5)), how_long(day, datetime.datetime(2027, 3, 2))
    ('5 hours', '1 year, 1 month')
    >>> how_long(day, day + datetime.timedelta(minutes=20)), how_long(day, datetime.datetime(2026, 2, 12))
    ('less than an hour', '11 days')
    """
    lasted = relativedelta(ended_at, began_at)
    if lasted.years or lasted.months:
        parts = [(lasted.years, "year"), (lasted.months, "month")]
    elif lasted.days:
        parts = [(lasted.days, "day")]
    else:
        parts = [(lasted.hours, "hour")]
    words = [f"{count} {name}{'' if count == 1 else 's'}" for count, name in parts if count]
    return ", ".join(words) or "less than an hour"


def list_for_page() -> QuerySet[Instrument]:
    """Return instruments with everything that their page says in a line, in one query.

    Beside `here` (with who wrote it down): `held`, the open hold; `stays`, how many; `label_tag` and `label_at`, the tag and the
    moment of the last label printed and not taken back.
    """
    labels = PrintedLabel.objects.filter(instrument=OuterRef("pk"), label_print__taken_back_at=None)
    last = labels.order_by("-label_print__printed_at", "-pk")
    stays = Custody.objects.filter(instrument=OuterRef("pk")).order_by().values("instrument").annotate(n=Count("pk"))
    rows: Any = list_instruments().annotate(
        held=FilteredRelation("holds", condition=Q(holds__ended_at=None)),
        stays=Subquery(stays.values("n")),
        label_tag=Subquery(last.values("asset_tag")[:1]),
        label_at=Subquery(last.values("label_print__printed_at")[:1]),
    )
    found: QuerySet[Instrument] = rows.select_related(
        "item__kind", "fleet_import", "here__location", "here__household", "here__school", "here__moved_by", "held__made_by"
    )
    return found


def list_at_school(school_id: int) -> QuerySet[Instrument]:
    """Return the instruments that stand at a school, by kind and tag."""
    found: Any = list_instruments()
    there: QuerySet[Instrument] = found.filter(here__place=Custody.Place.SCHOOL, here__school=school_id)
    return there.order_by("item__kind__order", "asset_tag")
