"""The order of a run's stops, held against published instances, against brute force, and against a hand-worked town."""

import csv
import itertools
import math
import random
import time
from pathlib import Path

import pytest

from schools import routing
from schools.routing import Place, Point

DATA = Path(__file__).parents[1] / "data" / "tsplib_small.csv"
OPTIMA = {"burma14": 3323, "ulysses16": 6859, "ulysses22": 7013}
"""Optimal tours as published with TSPLIB 95 (G. Reinelt)."""


def geo_matrix(name):
    """Distances by the GEO formula of the TSPLIB FAQ: PI 3.141592, radius 6378.388 km, degrees.minutes, cut off and one added."""
    with DATA.open() as lines:
        rows = [row for row in csv.DictReader(line for line in lines if line[0] != "#") if row["instance"] == name]

    def radians(written):
        degrees = int(float(written))
        return 3.141592 * (degrees + 5.0 * (float(written) - degrees) / 3.0) / 180.0

    places = [(radians(row["coord_x_ddmm"]), radians(row["coord_y_ddmm"])) for row in rows]

    def distance(one, other):
        if one == other:
            return 0
        q1, q2, q3 = math.cos(one[1] - other[1]), math.cos(one[0] - other[0]), math.cos(one[0] + other[0])
        return int(6378.388 * math.acos(0.5 * ((1.0 + q1) * q2 - (1.0 - q1) * q3)) + 1.0)

    return [[distance(one, other) for other in places] for one in places]


def shortest(matrix, is_closed=True):
    return min(routing.length(matrix, way, is_closed=is_closed) for way in itertools.permutations(range(1, len(matrix))))


class TestBestOrder:
    @pytest.mark.parametrize("name", OPTIMA)
    def test_reaches_the_published_optimum(self, name):
        matrix = geo_matrix(name)
        order = routing.best_order(matrix)
        assert sorted(order) == list(range(1, len(matrix)))
        assert routing.length(matrix, order) == OPTIMA[name]

    def test_a_published_optimal_tour_has_the_published_length(self):
        tour = [2, 14, 3, 4, 5, 6, 12, 7, 13, 8, 11, 9, 10]  # burma14, from node 1
        assert routing.length(geo_matrix("burma14"), [node - 1 for node in tour]) == OPTIMA["burma14"]

    def test_gives_the_same_order_each_time(self):
        matrix = geo_matrix("ulysses22")
        assert routing.best_order(matrix) == routing.best_order(matrix)

    def test_refuses_more_stops_than_it_orders_at_once(self):
        with pytest.raises(routing.TooManyStopsError, match="81 stops are too many"):
            routing.best_order([[0] * 82] * 82)

    def test_the_most_stops_take_a_few_seconds_at_the_very_most(self):
        drawn = random.Random(11)
        places = [
            Place(key, Point(40 + drawn.random() / 2, -88 - drawn.random() / 2)) for key in range(1, routing.MOST_STOPS + 1)
        ]
        began = time.perf_counter()
        found = routing.put_in_order(Point(40.1, -88.2), places)
        assert time.perf_counter() - began < 15
        assert sorted(found.order) == [place.key for place in places]
        assert found.metres < found.metres_before / 2


class TestDistance:
    def test_agrees_with_a_published_great_circle(self):
        # E. Williams, "Aviation Formulary": Los Angeles 33°57'N 118°24'W to New York 40°38'N 73°47'W is 0.623585 radians
        # (2144 nautical miles). Value from memory.
        metres = routing.metres_between(Point(33.95, -118.4), Point(40 + 38 / 60, -(73 + 47 / 60)))
        assert metres / routing.EARTH_METRES == pytest.approx(0.623585, abs=2e-6)

    def test_counts_nothing_from_a_place_to_itself(self):
        assert routing.metres_between(Point(40.1, -88.2), Point(40.1, -88.2)) == 0

    def test_goes_over_the_day_line_the_short_way(self):
        assert routing.metres_between(Point(0, 179.5), Point(0, -179.5)) == pytest.approx(111_195, abs=5)


def town(count, seed=3):
    drawn = random.Random(seed)
    return [
        Place(key, Point(40 + drawn.random() / 3, -88 - drawn.random() / 3), f"618{key % 3:02d}") for key in range(1, count + 1)
    ]


class TestPutInOrder:
    @pytest.mark.parametrize("is_closed", [True, False])
    @pytest.mark.parametrize("seed", range(4))
    def test_is_as_short_as_any_order(self, seed, is_closed):
        shop, places = Point(40.1, -88.2), town(7, seed)
        found = routing.put_in_order(shop, places, is_closed=is_closed)
        matrix = [
            [routing.by_road(one, other) for other in [shop, *(p.point for p in places)]]
            for one in [shop, *(p.point for p in places)]
        ]
        assert found.metres == shortest(matrix, is_closed)

    @pytest.mark.parametrize("is_closed", [True, False])
    def test_leaves_first_and_last_where_they_were_put(self, is_closed):
        shop, places = Point(40.1, -88.2), town(7)
        found = routing.put_in_order(shop, places, is_closed=is_closed, first=5, last=2)
        assert (found.order[0], found.order[-1]) == (5, 2)
        points = [shop, *(place.point for place in places)]
        matrix = [[routing.by_road(one, other) for other in points] for one in points]
        ways = [(5, *way, 2) for way in itertools.permutations([1, 3, 4, 6, 7])]
        assert found.metres == min(routing.length(matrix, way, is_closed=is_closed) for way in ways)

    def test_puts_a_stop_without_a_point_behind_its_zip_and_names_it(self):
        places = [*town(6), Place(50, None, "61801-1234"), Place(51, None, "99999")]
        found = routing.put_in_order(Point(40.1, -88.2), places)
        neighbour = next(place for place in places if place.key == found.order[found.order.index(50) - 1])
        assert neighbour.postal_code == "61801"
        assert (found.order[-1], found.without_point) == (51, [50, 51])

    def test_does_without_any_point_at_all(self):
        found = routing.put_in_order(None, [Place(1, None, "1"), Place(2, None, "2"), Place(3, None, "1")], last=2)
        assert found.order == [1, 3, 2]
        assert (found.metres_before, found.metres) == (None, None)

    def test_has_nothing_to_order_of_no_stops(self):
        assert routing.put_in_order(Point(1, 1), []).order == []
