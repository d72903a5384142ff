"""What the screens of earning share: the span of the address, its tabs, and a list of figures as the template wants it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import reverse

from billing.earning import queries, spans
from billing.earning.queries import Catalogue, Figures, Row
from billing.earning.spans import Span
from billing.earning.tables import Column
from rentals.runtime import clock

TABS = [
    ("fleet_figures", "By kind"),
    ("fleet_figures_items", "By model"),
    ("fleet_figures_instruments", "By instrument"),
    ("fleet_idle", "Standing idle"),
    ("fleet_advice", "Repair or let go"),
]
WITH_SPAN = {"fleet_figures", "fleet_figures_items", "fleet_figures_instruments"}


@dataclass(frozen=True)
class Asked:
    """What the address asks for."""

    span: Span
    spans: Sequence[Span]
    kind: str
    item: int | None
    text: str
    sort: str

    @property
    def is_narrowed(self) -> bool:
        """Whether anything is left out."""
        return bool(self.kind or self.item or self.text)


def read(request: HttpRequest, catalogue: Catalogue) -> Asked:
    """Read the address; what it asks that there is not narrows nothing."""
    offered = queries.list_spans(clock.today())
    kind, item = request.GET.get("kind", ""), request.GET.get("item", "")
    return Asked(
        span=spans.choose(request.GET.get("span", ""), offered),
        spans=offered,
        kind=kind if kind in dict(catalogue.kinds) else "",
        item=int(item) if item.isascii() and item.isdigit() and len(item) < 10 else None,
        text=request.GET.get("text", "").replace("\0", "").strip()[:20],
        sort=request.GET.get("sort", ""),
    )


def frame(request: HttpRequest, current: str) -> dict[str, Any]:
    """Give the tabs; the span that was chosen is carried along where it means something."""
    chosen = request.GET.get("span")
    carried = f"?span={chosen}" if chosen and chosen.replace("-", "").isalnum() else ""
    tabs = [
        {
            "label": label,
            "url": reverse(name) + (carried if name in WITH_SPAN else ""),
            "current": name == current,
            "count": None,
        }
        for name, label in TABS
    ]
    return {"tabs": tabs, "address": request.GET.urlencode()}


def written(figures: Figures, columns: Sequence[Column]) -> list[tuple[str, Column]]:
    """Write a row's figures."""
    return [(column.written(figures), column) for column in columns]


def listed(rows: Sequence[Row], columns: Sequence[Column]) -> list[dict[str, Any]]:
    """Give rows to the template."""
    return [{"row": row, "cells": written(row.figures, columns)} for row in rows]
