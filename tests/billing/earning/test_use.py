"""Utilisation from the chain of custody: worked by hand, and month by month the same as the whole."""

import datetime
import random

import pytest

from billing.earning import spans, use
from tests.billing.earning.conftest import NOW, TODAY, at, instrument, put

pytestmark = pytest.mark.django_db
SEASON = spans.season(2025)
JUNE_FIRST = datetime.date(2026, 7, 1)


def whole(unit, span=SEASON):
    return use.sum_by_instrument(span, NOW).get(unit.pk, use.Use())


class TestSpan:
    def test_days_out_of_days_fit_to_be_rented(self):
        # Received Mar 1, out Mar 11 to Mar 31, five days at the bench, then on the shelf until it was lost on Apr 15.
        unit = instrument("F-001")
        put(unit, ("shelf", at(3, 1)), ("family", at(3, 11)), ("bench", at(3, 31)), ("shelf", at(4, 5)), ("lost", at(4, 15)))
        found = whole(unit)
        # By the clock: an hour of Mar 8 falls out for summer time.
        assert (found.out, found.ready, found.bench) == pytest.approx((20, 10 + 10 - 1 / 24, 5))
        assert found.share == pytest.approx(20 / (40 - 1 / 24))

    @pytest.mark.parametrize("place", ["lost", "sold", "retired"])
    def test_what_is_gone_is_not_the_shops_any_more(self, place):
        unit = instrument("F-001")
        put(unit, ("shelf", at(5, 1)), (place, at(5, 11)))
        assert whole(unit).owned == pytest.approx(10)

    def test_counts_up_to_now_and_not_beyond(self):
        unit = instrument("F-001")
        put(unit, ("shelf", at(6, 1)), ("family", at(6, 10, 12)))
        assert whole(unit).out == pytest.approx(10)

    def test_cuts_at_midnight_of_the_office(self):
        unit = instrument("F-001")
        put(unit, ("family", at(12, 30, 0, 2025)))
        year = spans.list_spans(datetime.date(2025, 1, 1), TODAY)
        found = {span.code: use.sum_by_instrument(span, NOW).get(unit.pk, use.Use()).out for span in year}
        assert found["year-2025"] == pytest.approx(2)

    def test_a_school_s_are_ready_and_what_came_back_from_being_lost_counts_again(self):
        unit = instrument("F-001")
        put(unit, ("shelf", at(5, 1)), ("school", at(5, 3)), ("lost", at(5, 8)), ("shelf", at(5, 20)), ("family", at(5, 22)))
        found = whole(unit, spans.Span("", "", datetime.date(2026, 5, 1), datetime.date(2026, 5, 24)))
        assert found.ready == pytest.approx(2 + 5 + 2)
        assert found.out == pytest.approx(1 + 14 / 24)


class TestByMonth:
    def test_each_month_gets_what_lies_in_it(self):
        unit = instrument("F-001")
        put(unit, ("shelf", at(3, 30, 0)), ("family", at(4, 6, 0)), ("bench", at(6, 11, 0)))
        months = use.list_by_month(JUNE_FIRST, NOW, months=4)
        assert [month.month for month in months.months] == [3, 4, 5, 6]
        found = months.by_item[unit.item_id]
        assert [each.out for each in found] == pytest.approx([0, 25, 31, 10])
        assert [each.ready for each in found] == pytest.approx([2, 5, 0, 0])
        assert found[3].bench == pytest.approx(9 + 12 / 24)

    def test_what_began_before_and_lasts_still_fills_every_month(self):
        unit = instrument("F-001")
        put(unit, ("family", at(1, 1, 0, 2020)))
        months = use.list_by_month(JUNE_FIRST, NOW)
        assert len(months.months) == 36
        assert [each.share for each in months.of()] == [pytest.approx(1)] * 36
        assert [each.out for each in months.of()][5:8] == pytest.approx([31, 31, 29])

    @pytest.mark.parametrize("seed", range(3))
    def test_adds_up_to_the_same_as_the_plain_way(self, seed):
        chance = random.Random(seed)
        for number in range(15):
            unit = instrument(f"M{seed}-{number:02}", kind=chance.choice(["flute", "clarinet", "violin"]))
            moment, moves = at(1, 1, 0, 2024) + datetime.timedelta(hours=chance.randrange(9000)), []
            for _ in range(chance.randrange(1, 9)):
                moves.append((chance.choice(["shelf", "family", "bench", "lost"]), moment))
                moment += datetime.timedelta(hours=chance.randrange(1, 4000))
            put(unit, *[move for move in moves if move[1] < NOW])
        months = use.list_by_month(JUNE_FIRST, NOW, months=24)
        for place, first in enumerate(months.months):
            after = (first + datetime.timedelta(days=31)).replace(day=1)
            plain = use.sum_by_item(spans.Span("", "", first, after), NOW)
            for item, by_month in months.by_item.items():
                expected = plain.get(item, use.Use())
                got = by_month[place]
                assert (got.out, got.ready, got.bench) == pytest.approx(
                    (expected.out, expected.ready, expected.bench), abs=1e-6
                ), (first, item)
