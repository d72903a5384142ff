"""Every read of the fleet that a screen or another room shares."""

import datetime
from dataclasses import dataclass
from typing import Any

from django.contrib.postgres.search import TrigramSimilarity
from django.db.models import Case, Exists, F, FilteredRelation, OuterRef, Q, QuerySet, When

from rentals.inventory import rules
from rentals.inventory.models import Custody, Hold, Instrument, WorkOrder
from rentals.inventory.queries.cleanings import list_cleanings_due as list_cleanings_due
from rentals.inventory.queries.kinds import list_parts as list_parts
from rentals.inventory.queries.kinds import list_services as list_services


def list_instruments() -> QuerySet[Instrument]:
    """Return all instruments with their item and kind, and their open custody as `here`."""
    rows: Any = Instrument.objects.annotate(here=FilteredRelation("custodies", condition=Q(custodies__ended_at=None)))
    placed: QuerySet[Instrument] = rows.select_related("item__kind", "here__location", "here__household", "here__school")
    return placed


def list_available() -> QuerySet[Instrument]:
    """Return the instruments on a shelf, on no open agreement and not held: best grade first, then what has waited longest.

    Agreements are asked by the name of their relation: this room may not import them, but must not offer what they hold.
    """
    found: Any = list_instruments()
    free = found.filter(
        ~Exists(list_open_units().filter(instrument=OuterRef("pk"))),
        ~Exists(Hold.objects.filter(ended_at=None, instrument=OuterRef("pk"))),
        here__place=Custody.Place.SHELF,
    ).annotate(grade_order=_grade_order())
    offered: QuerySet[Instrument] = free.order_by("grade_order", "here__began_at", "pk")
    return offered


def find_available(kind_code: str, size: str = "", tier: str = "", location: str = "") -> QuerySet[Instrument]:
    """Return what is available (`list_available`) of a kind, and of a size, a tier and a location code where they are given."""
    wanted = {"item__size": size, "item__tier": tier, "here__location": location}
    return list_available().filter(item__kind=kind_code, **{name: value for name, value in wanted.items() if value})


def list_open_units() -> QuerySet[Any]:
    """Return the lines that put instruments on open agreements, by the name of the relation."""
    return Instrument._meta.get_field("agreement_units").related_model._default_manager.filter(ended_at=None)


def get_open_unit(instrument: Instrument) -> Any:
    """Return the row that puts the instrument on an open agreement (with `agreement`, which prints as its number), or None.

    By the name of the relation, as in `find_available`.
    """
    return list_open_units().filter(instrument=instrument).select_related("agreement").first()


def get_hold(instrument: Instrument) -> Hold | None:
    """Return the open hold on an instrument, None when it is not held."""
    return Hold.objects.filter(instrument=instrument, ended_at=None).select_related("made_by").first()


def _grade_order() -> Case:
    return Case(*(When(grade=grade, then=place) for place, grade in enumerate(Instrument.Grade)), default=9)


def get_by_tag(tag: str) -> Instrument | None:
    """Return the instrument with this tag, however it was scanned or typed; None when there is none or it cannot be a tag."""
    try:
        plain = rules.normalise_tag(tag)
    except rules.BadAssetTagError:
        return None
    return list_instruments().filter(asset_tag=plain).first()


def list_near_tags(tag: str, limit: int = 5) -> list[Instrument]:
    """Return instruments whose tags look like this one, nearest first: for a misread or mistyped tag."""
    try:
        plain = rules.normalise_tag(tag)
    except rules.BadAssetTagError:
        plain = "".join(letter for letter in tag if letter.isprintable()).strip().upper()[:20]
    near = list_instruments().filter(asset_tag__trigram_similar=plain).annotate(likeness=TrigramSimilarity("asset_tag", plain))
    return list(near.order_by("-likeness", "asset_tag")[:limit])


@dataclass(frozen=True)
class Whereabouts:
    """Where an instrument is now, in words, and since when."""

    place: str
    words: str
    keeper: str
    since: datetime.datetime
    custody: Custody


def get_whereabouts(instrument: Instrument) -> Whereabouts | None:
    """Return where the instrument is now; None when it has never been received."""
    here = Custody.objects.filter(instrument=instrument, ended_at=None).select_related("location", "household", "school").first()
    return None if here is None else describe(here)


def describe(custody: Custody) -> Whereabouts:
    """Put a custody into words; its keeper must be at hand (`select_related`)."""
    keeper = str(custody.location or custody.school or (custody.household and custody.household.name) or "")
    return Whereabouts(str(custody.place), custody.get_place_display(), keeper, custody.began_at, custody)


def list_custodies(instrument: Instrument) -> QuerySet[Custody]:
    """Return where the instrument has been, newest first."""
    found = Custody.objects.filter(instrument=instrument).select_related("location", "household", "school", "moved_by")
    return found.order_by("-began_at", "-pk")


def get_open_work_order(instrument: Instrument) -> WorkOrder | None:
    """Return the instrument's open work order, None when there is none."""
    return WorkOrder.objects.filter(instrument=instrument, closed_at=None).select_related("opened_by").first()


def list_work_orders(instrument: Instrument) -> QuerySet[WorkOrder]:
    """Return the work done and to do on an instrument, newest first."""
    return WorkOrder.objects.filter(instrument=instrument).select_related("opened_by", "closed_by").order_by("-opened_at", "-pk")


def list_bench_queue(location: str = "") -> QuerySet[WorkOrder]:
    """Return the open work orders, longest waiting first, of one location code or of all."""
    found = WorkOrder.objects.filter(closed_at=None, instrument__custodies__ended_at=None).select_related(
        "instrument__item__kind", "opened_by"
    )
    if location:
        found = found.filter(instrument__custodies__location=location)
    return found.annotate(place_name=F("instrument__custodies__location__name")).order_by("opened_at", "pk")
