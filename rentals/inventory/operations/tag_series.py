"""Asset tags taken from a series, and the series set up. Who takes at the same moment waits, and no tag is given twice."""

from collections.abc import Collection, Mapping

from django.db import IntegrityError, transaction

from rentals.inventory.models import Instrument, InstrumentKind, TagSeries
from rentals.inventory.queries.deliveries import find_tag_series
from rentals.inventory.receiving_rules import series_tag
from rentals.runtime import locks
from rentals.staff.models import User

FIRST_LOOK = 200


class NoTagSeriesError(Exception):
    """There is no series to take a tag of this kind from."""

    def __init__(self, kind: InstrumentKind) -> None:
        self.kind = kind
        super().__init__(f"There is no tag series for {kind.name.lower()}: scan tags that are printed already, or add a series.")


class TagSeriesTakenError(Exception):
    """Another series has this prefix, or is the one of this kind."""


class TagSeriesChangedError(Exception):
    """Somebody changed the series, or took tags from it, since it was shown."""


@transaction.atomic
def take_tags(*, wanted: Mapping[InstrumentKind, int], leave: Collection[str] = ()) -> dict[str, list[str]]:
    """Take new tags from the series of each kind, `wanted` of each; return them by the kind's code.

    The series stay locked until the transaction ends. Tags that are on an instrument already, or in `leave`, are passed over.
    Raises NoTagSeriesError, RowsBusyError.
    """
    found = {kind: find_tag_series(kind.pk) for kind in wanted}
    missing = next((kind for kind, series in found.items() if series is None), None)
    if missing is not None:
        raise NoTagSeriesError(missing)
    ids = {series.pk for series in found.values() if series}
    locked = {series.pk: series for series in locks.lock_rows(TagSeries.objects.filter(pk__in=ids))[0]}
    taken: dict[str, list[str]] = {}
    for kind, series in found.items():
        if series:
            taken[kind.pk] = _take(locked[series.pk], wanted[kind], set(leave))
    return taken


def _take(series: TagSeries, count: int, leave: set[str]) -> list[str]:
    tags: list[str] = []
    number, look = series.next_number, max(count, FIRST_LOOK)
    while len(tags) < count:
        window = [series_tag(series.prefix, series.width, number + step) for step in range(look)]
        known = leave | set(Instrument.objects.filter(asset_tag__in=window).values_list("asset_tag", flat=True))
        for tag in window:
            if len(tags) == count:
                break
            number += 1
            if tag not in known:
                tags.append(tag)
        look = min(look * 2, 10_000)
    series.next_number = number
    series.save(update_fields=["next_number"])
    return tags


@transaction.atomic
def add_tag_series(*, kind: InstrumentKind | None, prefix: str, width: int, next_number: int, acting_user: User) -> TagSeries:
    """Add a series for a kind, or (`kind` None) for every kind that has none of its own. Raises TagSeriesTakenError."""
    try:
        with transaction.atomic():
            return TagSeries.objects.create(kind=kind, prefix=prefix, width=width, next_number=next_number)
    except IntegrityError as error:
        raise _taken(error, prefix) from error


@transaction.atomic
def change_tag_series(
    *, series: TagSeries, version: int, prefix: str, width: int, next_number: int, shown_next: int, acting_user: User
) -> TagSeries:
    """Change how tags of a series look and which comes next; tags given before stay.

    `shown_next` is the number the person saw as the next: numbers taken meanwhile are not given out again by accident.
    Raises TagSeriesChangedError, TagSeriesTakenError.
    """
    current: TagSeries = locks.lock_one(TagSeries.objects.filter(pk=series.pk))
    if (current.version, current.next_number) != (version, shown_next):
        message = "This series changed meanwhile, or tags were taken from it. Look at the next number, and save again."
        raise TagSeriesChangedError(message)
    current.prefix, current.width, current.next_number, current.version = prefix, width, next_number, version + 1
    try:
        with transaction.atomic():
            current.save(update_fields=["prefix", "width", "next_number", "version"])
    except IntegrityError as error:
        raise _taken(error, prefix) from error
    return current


def _taken(error: IntegrityError, prefix: str) -> Exception:
    constraint = getattr(getattr(error.__cause__, "diag", None), "constraint_name", "") or ""
    if constraint == "tag_series_one_for_the_rest":
        return TagSeriesTakenError("There is a series for this already: change that one.")
    return TagSeriesTakenError(f"Another series begins with {prefix}: choose other letters.") if "prefix" in constraint else error
