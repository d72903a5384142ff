"""The order of a run's stops: pure arithmetic and a routing library, no database, no clock, nothing asked of anybody outside.

Distances are as the crow flies times `DETOUR` (common practice, no source): good for an order, not for an arrival time.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

EARTH_METRES = 6_371_009
"""Mean radius of the earth, (2a + b) / 3 of the WGS 84 ellipsoid."""
DETOUR = 1.3
"""How much longer the way by road is than as the crow flies. Common practice, no source."""
MOST_STOPS = 80
"""So many stops are put in order within the request (under two seconds on a small office machine); more are refused."""
ROUNDS = 1500
"""Rounds the library searches: a fixed number, not a time, so that the same stops always come in the same order."""
SEED = 7


class TooManyStopsError(Exception):
    """More stops than are put in order at once."""

    def __init__(self, count: int) -> None:
        self.count = count
        super().__init__(
            f"{count} stops are too many to put in order at once: up to {MOST_STOPS}. Divide them between two runs, "
            "or order them by hand."
        )


@dataclass(frozen=True)
class Point:
    """Degrees, north and east positive."""

    latitude: float
    longitude: float


@dataclass(frozen=True)
class Place:
    """A stop to be put in order: its key, where it lies (None: nobody wrote it down) and its ZIP."""

    key: int
    point: Point | None
    postal_code: str = ""


@dataclass(frozen=True)
class Ordering:
    """Keys in order, those of them without a point, and the lengths in metres by road before and after (None: not known)."""

    order: list[int]
    without_point: list[int]
    metres_before: int | None
    metres: int | None


def metres_between(one: Point, other: Point) -> int:
    """Return the great-circle distance in whole metres, by the haversine formula.

    A quarter of the way around:

    >>> metres_between(Point(0, 0), Point(0, 90)) == round(EARTH_METRES * math.pi / 2)
    True
    """
    south, north = math.radians(one.latitude), math.radians(other.latitude)
    half_across = math.sin(math.radians(other.longitude - one.longitude) / 2) ** 2
    half = math.sin((north - south) / 2) ** 2 + math.cos(south) * math.cos(north) * half_across
    return round(2 * EARTH_METRES * math.asin(math.sqrt(min(1.0, half))))


def by_road(one: Point, other: Point) -> int:
    """Return the way by road in whole metres, as far as one can tell without a map."""
    return round(metres_between(one, other) * DETOUR)


def best_order(matrix: Sequence[Sequence[int]]) -> list[int]:
    """Return the shortest tour found through rows 1 to n-1 of a matrix of distances, from row 0 and back to it.

    Whole numbers of any unit. Deterministic: the search goes by rounds and a fixed seed. Reaches the optima of TSPLIB's burma14,
    ulysses16 and ulysses22 (tests). Raises TooManyStopsError.
    """
    count = len(matrix)
    if count - 1 > MOST_STOPS:
        raise TooManyStopsError(count - 1)
    if count <= 2:
        return list(range(1, count))
    from pyvrp import Model  # here: it takes half a second to load, and few processes ever need it
    from pyvrp.stop import MaxIterations

    model = Model()
    places = [model.add_location(x=0, y=0, name=str(row)) for row in range(count)]
    start = model.add_depot(places[0])
    for place in places[1:]:
        model.add_client(place)
    model.add_vehicle_type(1, start_depot=start, end_depot=start)
    for here in range(count):
        for there in range(count):
            if here != there:
                model.add_edge(places[here], places[there], distance=matrix[here][there])
    found = model.solve(MaxIterations(ROUNDS), seed=SEED, display=False).best
    return _rows(found.routes()[0])


def length(matrix: Sequence[Sequence[int]], order: Sequence[int], *, is_closed: bool = True) -> int:
    """Return how long a tour through these rows is from row 0, in the matrix's unit."""
    way = [0, *order, *([0] if is_closed else [])]
    return sum(matrix[here][there] for here, there in pairwise(way))


def _rows(route: Iterable[Any]) -> list[int]:
    """Read the library's tour: clients are counted from nought, rows from one."""
    return [activity.idx + 1 for activity in route if activity.is_client()]


def put_in_order(
    shop: Point | None, places: Sequence[Place], *, is_closed: bool = True, first: int | None = None, last: int | None = None
) -> Ordering:
    """Put stops in a good order from the shop and, when closed, back to it; `first` and `last` are keys that stay at the ends.

    What has no point stands behind the last stop of its ZIP, at the end where there is none (before `last`). A shop without
    a point adds nothing to the way. Raises TooManyStopsError.
    """
    known = [place for place in places if place.point is not None]
    matrix = _matrix(shop, [place.point for place in known if place.point is not None])
    before = length(matrix, range(1, len(matrix)), is_closed=is_closed)
    rows = {place.key: row for row, place in enumerate(known, start=1)}
    held = _held(matrix, rows.get(first or 0), rows.get(last or 0), is_closed=is_closed)
    order = best_order(held) if known else []
    metres = length(matrix, order, is_closed=is_closed)
    in_order = [known[row - 1] for row in order]
    without = [place for place in places if place.point is None]
    for place in without:
        in_order.insert(_where(place, in_order, last), place)
    keys = [place.key for place in in_order]
    for key, at in ((first, 0), (last, len(keys) - 1)):
        if key in keys:
            keys.remove(key)
            keys.insert(at, key)
    some = bool(known)
    return Ordering(keys, [place.key for place in without], before if some else None, metres if some else None)


def _matrix(shop: Point | None, points: Sequence[Point]) -> list[list[int]]:
    way_out = [0 if shop is None else by_road(shop, point) for point in points]
    rows = [[0, *way_out]]
    rows += [[way_out[row], *(by_road(point, other) for other in points)] for row, point in enumerate(points)]
    return rows


def _held(matrix: list[list[int]], first: int | None, last: int | None, *, is_closed: bool) -> list[list[int]]:
    """Return a matrix whose closed tours begin and end where they must: every other way from or to the shop is far too long."""
    far = 1 + 10 * max((max(row) for row in matrix), default=0) * len(matrix)
    held = [list(row) for row in matrix]
    for row in range(1, len(held)):
        if not is_closed:
            held[row][0] = 0
        if first and row != first:
            held[0][row] += far
        if last and row != last:
            held[row][0] += far
    return held


def _where(place: Place, order: Sequence[Place], last: int | None) -> int:
    zip5 = place.postal_code[:5]
    same = [at for at, other in enumerate(order) if zip5 and other.postal_code[:5] == zip5 and other.key != last]
    if same:
        return same[-1] + 1
    return len(order) - 1 if order and order[-1].key == last else len(order)
