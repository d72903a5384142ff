"""Instruments that stand on a shelf and nobody takes: since when, where, and what they cost meanwhile."""

import datetime
from typing import Any

from django.db.models import CharField, Exists, F, OuterRef, Q, QuerySet, Subquery, Value
from django.db.models.functions import Coalesce

from rentals.inventory import queries as fleet
from rentals.inventory.models import Custody, Hold, Instrument

LONG = 90
"""Days after which one is looked at, where the address names none: about a term (our choice, no source)."""
MOST = 3650
SORTS = {"since": "idle_since", "tag": "asset_tag", "kind": "item__kind__order", "cost": "cost", "place": "here__location__name"}


def list_idle(
    now: datetime.datetime, *, days: int = LONG, kind: str = "", location: str = "", sort: str = "since"
) -> "QuerySet[Instrument]":
    """List what is on a shelf and has been out with nobody for so many days, the longest first.

    `idle_since` is when it last came back from a family or a school, else when it first came; `held` says why it is put aside,
    "" where it is not. Moves between shelves and a stay at the bench do not begin it anew.
    """
    before = now - datetime.timedelta(days=days)
    moves = Custody.objects.filter(instrument=OuterRef("pk"))
    away = moves.filter(place__in=[Custody.Place.FAMILY, Custody.Place.SCHOOL])
    back = away.order_by("-ended_at").values("ended_at")[:1]
    came = moves.order_by("began_at").values("began_at")[:1]
    held = Hold.objects.filter(instrument=OuterRef("pk"), ended_at=None).values("reason")[:1]
    rows: Any = fleet.list_instruments()
    # `idle_since` up to `before`, said so that it is not worked out for the whole fleet: nothing came back later than that, and
    # it was here then.
    rows = (
        rows.filter(~Exists(away.filter(ended_at__gt=before)), here__place=Custody.Place.SHELF)
        .filter(Q(here__began_at__lte=before) | Exists(moves.filter(began_at__lte=before)))
        .annotate(
            idle_since=Coalesce(Subquery(back), Subquery(came)),
            held=Coalesce(Subquery(held), Value(""), output_field=CharField()),
        )
    )
    if kind:
        rows = rows.filter(item__kind=kind)
    if location:
        rows = rows.filter(here__location=location)
    key = F(SORTS.get(sort.removeprefix("-"), "idle_since"))
    idle: QuerySet[Instrument] = rows.order_by(key.desc() if sort.startswith("-") else key.asc(), "asset_tag")
    return idle


def read_days(text: str) -> int:
    """Read the threshold of an address; what is none, or beyond ten years, is the usual one.

    >>> read_days("30"), read_days("many"), read_days("99999")
    (30, 90, 90)
    """
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 4 and int(text) <= MOST else LONG
