"""The closing of a month itself: in order, when it is over, when the books agree."""

import datetime
from unittest.mock import patch

import pytest

from billing import charges, months, payments, verify
from billing.models import ClosedMonth
from tests.billing.factories import DAY, NOON

JANUARY, FEBRUARY, MARCH = (datetime.date(2026, month, 1) for month in (1, 2, 3))


def close(bookkeeper, first_day, today=datetime.date(2026, 6, 1)):
    return months.close_month(first_day=first_day, acting_user=bookkeeper, now=NOON, today=today)


@pytest.fixture
def books(agreement, bookkeeper):
    for period in range(2):
        charges.charge_period(agreement=agreement, period=period, acting_user=bookkeeper, now=NOON)
    payments.record_payment(
        household=agreement.household, method="cash", amount=10, received_on=DAY, acting_user=bookkeeper, now=NOON
    )


class TestCloseMonth:
    def test_keeps_what_it_was_closed_with(self, books, bookkeeper):
        closed = close(bookkeeper, JANUARY)
        assert (closed.entry_count, str(closed.debits)) == (1, "26.65")
        assert verify.closed_months_stand() == []

    def test_goes_month_by_month(self, books, bookkeeper):
        with pytest.raises(months.MonthOutOfOrderError) as refused:
            close(bookkeeper, FEBRUARY)
        assert refused.value.next_month == JANUARY
        for first_day in (JANUARY, FEBRUARY, MARCH):
            close(bookkeeper, first_day)
        with pytest.raises(months.MonthOutOfOrderError):
            close(bookkeeper, MARCH)

    def test_waits_for_its_last_day(self, books, bookkeeper):
        with pytest.raises(months.MonthNotOverError):
            close(bookkeeper, JANUARY, today=datetime.date(2026, 1, 31))
        close(bookkeeper, JANUARY, today=datetime.date(2026, 2, 1))

    def test_refuses_while_the_books_do_not_agree(self, books, bookkeeper):
        def told(sql, parameters=None):
            return ["entry 7 is off by 0.01"]

        with patch.object(verify, "told", told), pytest.raises(months.BooksNotCleanError) as refused:
            close(bookkeeper, JANUARY)
        assert "entry 7 is off by 0.01" in refused.value.breaches
        assert not ClosedMonth.objects.exists()

    def test_has_nothing_to_close_in_empty_books(self, bookkeeper):
        with pytest.raises(months.NothingToCloseError):
            close(bookkeeper, JANUARY)
