"""What the database adds up, held against plain arithmetic over the same chains of custody, drawn by chance."""

import datetime
import itertools
import random

import pytest

from billing.earning import idle, spans, use
from rentals.inventory.models import Custody
from tests.billing.earning.conftest import NOW, at, instrument, put

pytestmark = pytest.mark.django_db
MONTHS = 24
AFTER = datetime.date(2026, 7, 1)
PLACES = ["shelf", "family", "bench", "lost", "school"]
SORTS = {"family": "out", "shelf": "ready", "school": "ready", "bench": "bench"}


def draw(seed, number=12):
    """Invent instruments that are moved about; some moves end the moment they began, some begin at an office midnight."""
    chance, units = random.Random(seed), []
    for place in range(number):
        unit = instrument(f"R{seed}-{place:02}", kind=chance.choice(["flute", "clarinet", "violin"]))
        moment, moves = at(1, 1, 0, 2024) + datetime.timedelta(minutes=chance.randrange(9000 * 60)), []
        for _ in range(chance.randrange(1, 9)):
            moves.append((chance.choice(PLACES), moment))
            moment += datetime.timedelta(minutes=chance.choice([0, chance.randrange(1, 120 * 1440), chance.randrange(1, 1440)]))
            if chance.random() < 0.2:
                moment = spans.midnight((moment + datetime.timedelta(days=1)).astimezone(NOW.tzinfo).date().replace(day=1))
                moment = max(moment, moves[-1][1])
        put(unit, *[move for move in moves if move[1] < NOW] or [("shelf", at(6, 1))])
        units.append(unit)
    return units


def days_in(row, first, after):
    """Days of 24 hours of one custody between two moments, up to now."""
    end = min(row.ended_at or NOW, after, NOW)
    return max(0.0, (end.timestamp() - max(row.began_at, first).timestamp()) / 86400)


class TestUseByMonth:
    @pytest.mark.parametrize("seed", range(4))
    def test_is_every_custody_cut_at_the_months(self, seed):
        draw(seed)
        bounds = [spans.midnight(day) for day in spans.list_months(AFTER, MONTHS)]
        expected = {}
        for row in Custody.objects.select_related("instrument"):
            if row.place not in SORTS:
                continue
            for month, (first, after) in enumerate(itertools.pairwise(bounds)):
                key = (row.instrument.item_id, month, SORTS[row.place])
                expected[key] = expected.get(key, 0.0) + days_in(row, first, after)
        found = use.list_by_month(AFTER, NOW, months=MONTHS)
        got = {
            (item, month, sort): getattr(each, sort)
            for item, months in found.by_item.items()
            for month, each in enumerate(months)
            for sort in ("out", "ready", "bench")
        }
        days = {key: value for key, value in expected.items() if value}
        assert {key: value for key, value in got.items() if value > 1e-9} == pytest.approx(days, abs=1e-6)
        assert sum(days.values()) > 100


class TestIdle:
    @pytest.mark.parametrize("seed", range(4))
    @pytest.mark.parametrize("days", [1, 30, 200])
    def test_is_whatever_stands_here_and_came_back_before(self, seed, days):
        before, expected = NOW - datetime.timedelta(days=days), {}
        for unit in draw(seed, 20):
            chain = list(unit.custodies.order_by("began_at", "pk"))
            here = next((row for row in chain if row.ended_at is None), None)
            back = [row.ended_at for row in chain if row.place in {"family", "school"} and row.ended_at]
            since = max(back) if back else chain[0].began_at
            if here and here.place == "shelf" and since <= before:
                expected[unit.asset_tag] = since
        found = idle.list_idle(NOW, days=days)
        assert {unit.asset_tag: unit.idle_since for unit in found} == expected
        assert found.count() == len(expected)
        since = [unit.idle_since for unit in found]
        assert since == sorted(since)
