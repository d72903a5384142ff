"""Charts: round values on the axis as published, and nothing of a series lost on its way to the sheet."""

import itertools
import re
from decimal import Decimal

import pytest
from django.template.loader import render_to_string
from hypothesis import given
from hypothesis import strategies as st

from rentals.runtime import charts


def words(code="c", **more):
    return charts.Words(code, "Title", "What it shows.", "Month", lambda value: f"{value:.0f}", **more)


class TestTicks:
    # The two worked examples of Heckbert, "Nice numbers for graph labels", Graphics Gems (1990), page 61.
    @pytest.mark.parametrize(
        ("least", "most", "about", "first", "last", "step"),
        [(105, 543, 5, 100, 600, 100), (2.04, 2.16, 5, 2.00, 2.20, 0.05)],
    )
    def test_the_published_examples(self, least, most, about, first, last, step):
        found = charts.ticks(least, most, about)
        assert (found[0], found[-1]) == (pytest.approx(first), pytest.approx(last))
        assert [b - a for a, b in itertools.pairwise(found)] == pytest.approx([step] * (len(found) - 1))

    @given(st.floats(-1e7, 1e7), st.floats(0, 1e7))
    def test_cover_the_range_by_few_even_steps(self, least, more):
        found = charts.ticks(least, least + more)
        close = 1e-8 * (found[1] - found[0])  # a value so near a tick stands on it
        assert found[0] <= least + close
        assert found[-1] >= least + more - close - charts.LEAST_SPAN
        assert 2 <= len(found) <= 12

    def test_of_nothing_are_some_all_the_same(self):
        assert charts.ticks(0, 0) == [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]


class TestLineChart:
    def test_stands_upright_and_breaks_where_a_value_is_missing(self):
        chart = charts.line_chart(words(), ["Jan", "Feb", "Mar", "Apr"], [charts.Series("A", [0, 10, None, 5])])
        wide = chart.drawings[0]
        assert re.findall("[ML]", wide.strokes[0].path) == ["M", "L", "M"]
        low, high, half = (mark.y for mark in wide.marks)
        assert low > half > high
        assert half == pytest.approx((low + high) / 2, abs=0.11)
        assert [mark.x for mark in wide.marks] == sorted(mark.x for mark in wide.marks)

    def test_three_years_of_months_keep_room_between_their_names(self):
        months = [f"Jan {year}" for year in range(36)]
        for drawing in charts.line_chart(words(), months, [charts.Series("A", list(range(36)))]).drawings:
            row = [text for text in drawing.texts if text.anchor == "middle"]
            assert all(b.x - a.x > charts.CHARACTER * 6 for a, b in itertools.pairwise(row)), drawing.name
            assert row[-1].words == months[-1]


class TestBarChart:
    def test_a_bar_is_as_long_as_its_value(self):
        chart = charts.bar_chart(
            words(), ["Flute", "Oboe"], [charts.Series("A", [Decimal(50), Decimal(100)]), charts.Series("B", [0, None])]
        )
        first, nothing, second = chart.drawings[0].bars
        assert second.width == pytest.approx(first.width * 2, abs=0.2)
        assert nothing.width == 0
        assert (first.words, second.words) == ("Flute, A: 50", "Oboe, A: 100")

    def test_less_than_nothing_points_the_other_way(self):
        chart = charts.bar_chart(words(), ["Flute", "Oboe"], [charts.Series("A", [-50, 50])])
        minus, plus = chart.drawings[0].bars
        assert minus.x + minus.width == pytest.approx(plus.x, abs=0.11)
        assert minus.width == pytest.approx(plus.width, abs=0.2)


@given(st.lists(st.one_of(st.none(), st.floats(-1e6, 1e6)), min_size=1, max_size=60))
def test_everything_stays_on_the_sheet(values):
    labels = [f"L{place}" for place in range(len(values))]
    for make in (charts.line_chart, charts.bar_chart):
        for drawing in make(words(), labels, [charts.Series("A", values)]).drawings:
            places = [(bar.x, bar.y) for bar in drawing.bars] + [(bar.x + bar.width, bar.y + bar.height) for bar in drawing.bars]
            places += [(mark.x, mark.y) for mark in drawing.marks] + [(text.x, text.y) for text in drawing.texts]
            assert all(-0.2 <= x <= drawing.width + 0.2 and -0.2 <= y <= drawing.height + 0.2 for x, y in places)


class TestTheComponent:
    def test_says_the_same_figures_in_a_table_and_names_itself(self):
        chart = charts.bar_chart(
            words("rent"), ["Flute", "Oboe"], [charts.Series("Rent", [50, 100]), charts.Series("Repairs", [5, 10])]
        )
        page = render_to_string("components/chart.html", {"chart": chart})
        assert re.findall(r"<td class=\"num\">(\d+)</td>", page) == ["50", "5", "100", "10"]
        assert page.count('role="img"') == 2
        ids = re.findall(r' id="([^"]+)"', page)
        assert len(ids) == len(set(ids))
        named = {name for names in re.findall(r'aria-labelledby="([^"]+)"', page) for name in names.split()}
        assert named <= set(ids)
        assert "style=" not in page
        assert "<script" not in page

    def test_the_second_series_is_told_by_more_than_its_colour(self):
        two = [charts.Series("Rent", [50]), charts.Series("Repairs", [5])]
        bars = render_to_string("components/chart.html", {"chart": charts.bar_chart(words(), ["Flute"], two)})
        lines = render_to_string("components/chart.html", {"chart": charts.line_chart(words(), ["Jan"], two)})
        assert "url(#c-wide-hatch)" in bars
        assert lines.count("<rect") == 3  # its square in the key and in each layout

    def test_of_nothing_says_so(self):
        page = render_to_string("components/chart.html", {"chart": charts.line_chart(words(), [], [])})
        assert "Nothing to draw yet" in page
