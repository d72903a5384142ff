"""How amounts, days, moments and telephone numbers are written. Worked by hand; style is the house's own."""

import datetime
from decimal import Decimal

import pytest
from django.core.paginator import Paginator
from moneyed import Money

from rentals.runtime.templatetags.office import day, machine_time, moment, money, page_numbers, phone


class TestMoney:
    @pytest.mark.parametrize(
        ("amount", "written"),
        [
            (Decimal("1250.5"), "$1,250.50"),
            (Money("1250.5", "USD"), "$1,250.50"),
            (Decimal("-12.5"), "−$12.50"),
            (Decimal("0"), "$0.00"),
            (Decimal("-0.00"), "$0.00"),
            (7, "$7.00"),
            ("1234567.891", "$1,234,567.89"),
            (Decimal("2.675"), "$2.68"),
            (Decimal("-2.675"), "−$2.68"),
            (None, ""),
            ("", ""),
        ],
    )
    def test_writes(self, amount, written):
        assert money(amount) == written

    def test_refuses_floats(self):
        with pytest.raises(TypeError):
            money(12.5)

    def test_refuses_words(self):
        with pytest.raises(ValueError, match="twelve"):
            money("twelve")


class TestDay:
    TUESDAY = datetime.date(2026, 11, 24)

    @pytest.mark.parametrize(
        ("form", "written"),
        [("", "Nov 24, 2026"), ("short", "Nov 24"), ("weekday", "Tue, Nov 24, 2026"), ("month", "November 2026")],
    )
    def test_writes(self, form, written):
        assert day(self.TUESDAY, form) == written

    def test_writes_nothing_for_nothing(self):
        assert day(None) == moment(None) == machine_time(None) == ""

    def test_takes_a_moment_as_the_day_it_falls_on_in_the_office(self, settings):
        settings.TIME_ZONE = "America/Chicago"
        after_midnight_in_utc = datetime.datetime(2026, 11, 25, 3, 0, tzinfo=datetime.UTC)
        assert day(after_midnight_in_utc) == "Nov 24, 2026"
        assert moment(after_midnight_in_utc) == "Nov 24, 2026, 9:00 PM"
        assert moment(after_midnight_in_utc, "short") == "Nov 24, 9:00 PM"
        assert moment(after_midnight_in_utc, "clock") == "9:00 PM"
        assert machine_time(after_midnight_in_utc) == "2026-11-24T21:00:00-06:00"

    def test_writes_a_plain_day_as_a_day(self):
        assert moment(self.TUESDAY) == "Nov 24, 2026"


class TestPhone:
    @pytest.mark.parametrize(
        ("stored", "written"),
        [("+13125550142", "(312) 555-0142"), ("+442079460018", "+44 20 7946 0018"), ("", ""), ("ask", "ask")],
    )
    def test_writes(self, stored, written):
        assert phone(stored) == written


class TestPageNumbers:
    def test_marks_gaps_with_nought(self):
        page = Paginator(range(612), 25).page(10)
        assert page_numbers(page) == [1, 0, 8, 9, 10, 11, 12, 0, 25]
