"""What a programme's director asks for: how many begin on which kind, which models are approved, which size is usual.

None of it binds: the sign-up sheet shows it beside what the office itself proposes, and the specialist may go on.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.contrib.postgres.expressions import ArraySubquery
from django.db import transaction
from django.db.models import OuterRef, QuerySet
from django.db.models.functions import JSONObject

from rentals.inventory.models import CatalogueItem, InstrumentKind
from rentals.inventory.reference import list_sizes
from rentals.staff.models import User
from schools.models import ApprovedItem, KindExpected, NightProgramme, Programme, UsualSize


class NoSuchSizeError(Exception):
    """The kind of instrument is not made in this size."""


@dataclass(frozen=True)
class Wishes:
    """All that a programme's director asks for, in the order of a score; sizes by kind and school year."""

    expected: list[KindExpected]
    approved: list[ApprovedItem]
    sizes: list[UsualSize]

    @property
    def expected_in_all(self) -> int:
        """How many begin on the kinds that are told."""
        return sum(row.count for row in self.expected)


def list_wishes(programme_id: int) -> Wishes:
    """Read what is asked for; three queries."""
    expected = KindExpected.objects.filter(programme=programme_id).select_related("kind").order_by("kind__order", "kind__name")
    sizes = UsualSize.objects.filter(programme=programme_id).select_related("kind").order_by("kind__order", "kind__name", "grade")
    return Wishes(list(expected), list(_approved(programme_id)), list(sizes))


def with_wishes(programmes: QuerySet[Programme]) -> QuerySet[Programme]:
    """Let programmes bring their approved models and usual sizes along, in the same query, for the two reads below."""
    items = ApprovedItem.objects.filter(programme=OuterRef("pk")).order_by("item__maker", "item__model", "item__size", "pk")
    item = JSONObject(id="item_id", kind="item__kind_id", maker="item__maker", model="item__model", size="item__size")
    sizes = UsualSize.objects.filter(programme=OuterRef("pk")).order_by("pk")
    size = JSONObject(kind="kind_id", grade="grade", size="size")
    return programmes.annotate(
        approved_rows=ArraySubquery(items.values(row=item)), size_rows=ArraySubquery(sizes.values(row=size))
    )


def approved_models(programme: Programme, kind_code: str) -> dict[int, str]:
    """Return the models of a kind that the director approves: name by id of the catalogue item; none: every model will do.

    The programme comes from `with_wishes`.
    """
    rows: list[dict[str, Any]] = programme.approved_rows  # type: ignore[attr-defined]
    return {
        row["id"]: str(CatalogueItem(maker=row["maker"], model=row["model"], size=row["size"]))
        for row in rows
        if row["kind"] == kind_code
    }


def usual_size(programme: Programme, kind_code: str, grade: int) -> str:
    """Return the size the director usually wants in a school year, "" where none is told; a programme of `with_wishes`."""
    found = ((row["kind"], row["grade"], str(row["size"])) for row in usual_sizes(programme))
    return next((size for kind, year, size in found if (kind, year) == (kind_code, grade)), "")


def usual_sizes(programme: Programme) -> list[dict[str, Any]]:
    """Return all usual sizes as rows of kind, grade and size; a programme of `with_wishes`."""
    rows: list[dict[str, Any]] = programme.size_rows  # type: ignore[attr-defined]
    return rows


class NightLists:
    """The directors' lists of approved models at a night: by kind, how many of them approve which model.

    Only directors who keep a list of a kind speak of it; one of them approving a model is enough.
    """

    def __init__(self, rows: Iterable[tuple[str, int]]) -> None:
        self._listed: dict[str, Counter[int]] = {}
        for kind_code, item_id in rows:
            self._listed.setdefault(kind_code, Counter())[item_id] += 1

    def says(self, item: CatalogueItem) -> int | None:
        """Return how many approve a model, None where nobody keeps a list of its kind."""
        listed = self._listed.get(item.kind_id)
        return None if listed is None else listed[item.pk]

    def is_off(self, item: CatalogueItem) -> bool:
        """Tell whether a model is on none of the lists there are of its kind."""
        return self.says(item) == 0


def lists_of_nights(nights: Iterable[int]) -> dict[int, NightLists]:
    """Read the lists of the programmes of some nights, by night; one query."""
    rows: dict[int, list[tuple[str, int]]] = {night: [] for night in nights}
    asked = NightProgramme.objects.filter(night__in=list(rows), programme__approved_items__isnull=False)
    item = "programme__approved_items__item"
    for night, kind_code, item_id in asked.values_list("night", f"{item}__kind", item):
        rows[night].append((kind_code, item_id))
    return {night: NightLists(found) for night, found in rows.items()}


@transaction.atomic
def expect(*, programme: Programme, kind: InstrumentKind, count: int, acting_user: User) -> KindExpected:
    """Write down how many (1 to 500) begin on a kind next season; told again, the new number stands."""
    return KindExpected.objects.update_or_create(programme=programme, kind=kind, defaults={"count": count})[0]


@transaction.atomic
def approve(*, programme: Programme, item: CatalogueItem, acting_user: User) -> ApprovedItem:
    """Put a model on the director's list; there already is fine too."""
    return ApprovedItem.objects.get_or_create(programme=programme, item=item)[0]


@transaction.atomic
def set_usual_size(*, programme: Programme, kind: InstrumentKind, grade: int, size: str, acting_user: User) -> UsualSize:
    """Write a school year's usual size down (grade 1 to 12); told again, the new one stands. Raises NoSuchSizeError."""
    made = [row.size for row in list_sizes(kind.pk)]
    if size not in made:
        message = f"{kind.name} is made in the sizes {', '.join(made)}." if made else f"{kind.name} has no sizes."
        raise NoSuchSizeError(message)
    return UsualSize.objects.update_or_create(programme=programme, kind=kind, grade=grade, defaults={"size": size})[0]


@transaction.atomic
def take_off(*, model: type[KindExpected | ApprovedItem | UsualSize], programme: Programme, pk: int, acting_user: User) -> bool:
    """Take one of a programme's own wishes off; returns whether it stood there."""
    return bool(model._default_manager.filter(programme=programme, pk=pk).delete()[0])


def _approved(programme_id: int) -> QuerySet[ApprovedItem]:
    rows = ApprovedItem.objects.filter(programme=programme_id).select_related("item__kind")
    return rows.order_by("item__kind__order", "item__kind__name", "item__maker", "item__model", "item__size", "pk")
