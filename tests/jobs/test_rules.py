"""When a job of the day is due, held against the time zone database (IANA tzdata, through zoneinfo) and the civil calendar."""

import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rentals.jobs.rules import MOST_DAYS, days_due, moment_of

CHICAGO = ZoneInfo("America/Chicago")
ZONES = ["America/Chicago", "America/New_York", "America/Phoenix"]
NIGHT = datetime.time(2, 10)


def utc(*parts: int) -> datetime.datetime:
    return datetime.datetime(*parts, tzinfo=datetime.UTC)  # type: ignore[arg-type]


class TestMomentOf:
    # 15 U.S.C. 260a: clocks go forward at 2:00 on the second Sunday in March and back at 2:00 on the first Sunday in November.
    @pytest.mark.parametrize(
        ("on", "at", "zone", "moment"),
        [
            ("2026-03-07", "02:10", "America/Chicago", utc(2026, 3, 7, 8, 10)),
            ("2026-03-08", "02:10", "America/Chicago", utc(2026, 3, 8, 8, 10)),  # never shown: 3:10 daylight time
            ("2026-03-08", "03:10", "America/Chicago", utc(2026, 3, 8, 8, 10)),
            ("2026-03-09", "02:10", "America/Chicago", utc(2026, 3, 9, 7, 10)),
            ("2026-11-01", "01:30", "America/Chicago", utc(2026, 11, 1, 6, 30)),  # shown twice: the first
            ("2026-11-01", "02:10", "America/Chicago", utc(2026, 11, 1, 8, 10)),
            ("2026-03-08", "02:10", "America/Phoenix", utc(2026, 3, 8, 9, 10)),  # Arizona keeps standard time
            ("2028-02-29", "06:00", "America/New_York", utc(2028, 2, 29, 11, 0)),
        ],
    )
    def test_is_what_the_clock_on_the_wall_shows(self, on, at, zone, moment):
        told = moment_of(datetime.date.fromisoformat(on), datetime.time.fromisoformat(at), ZoneInfo(zone))
        assert told == moment

    @given(
        st.dates(datetime.date(2026, 1, 1), datetime.date(2030, 12, 31)),
        st.times().map(lambda at: at.replace(second=0, microsecond=0)),
        st.sampled_from(ZONES),
    )
    def test_falls_on_the_day_itself_and_later_days_come_later(self, on, at, zone):
        here = ZoneInfo(zone)
        moment = moment_of(on, at, here)
        assert moment.astimezone(here).date() == on
        assert moment < moment_of(on + datetime.timedelta(days=1), at, here)


class TestDaysDue:
    def due(self, after, now, *, each_day=True, zone=CHICAGO, at=NIGHT):
        found = days_due(at=at, after=datetime.date.fromisoformat(after), now=now, zone=zone, each_day=each_day)
        return [day.isoformat() for day in found]

    def test_is_nothing_before_its_time(self):
        assert self.due("2026-11-23", utc(2026, 11, 24, 8, 9)) == []

    def test_is_today_once_its_time_has_come(self):
        assert self.due("2026-11-23", utc(2026, 11, 24, 8, 10)) == ["2026-11-24"]
        assert self.due("2026-11-24", utc(2026, 11, 24, 8, 10)) == []

    def test_goes_by_the_offices_day_and_not_by_that_of_greenwich(self):
        assert self.due("2026-11-23", utc(2026, 11, 25, 4, 0)) == ["2026-11-24"]

    def test_catches_every_missed_night_up_in_order_over_a_leap_day_and_the_end_of_a_year(self):
        assert self.due("2028-02-27", utc(2028, 3, 1, 12, 0)) == ["2028-02-28", "2028-02-29", "2028-03-01"]
        assert self.due("2026-12-30", utc(2027, 1, 2, 12, 0)) == ["2026-12-31", "2027-01-01", "2027-01-02"]

    def test_lets_the_last_night_stand_for_all_where_that_is_enough(self):
        assert self.due("2026-11-01", utc(2026, 11, 24, 12, 0), each_day=False) == ["2026-11-24"]

    def test_does_not_go_back_further_than_five_weeks(self):
        found = self.due("2025-01-01", utc(2026, 11, 24, 12, 0))
        assert (len(found), found[0], found[-1]) == (MOST_DAYS, "2026-10-21", "2026-11-24")

    def test_has_nothing_to_do_when_the_clock_was_set_back(self):
        assert self.due("2026-11-24", utc(2026, 11, 24, 6, 30)) == []

    @given(
        st.datetimes(datetime.datetime(2026, 1, 1), datetime.datetime(2028, 12, 31), timezones=st.just(datetime.UTC)),
        st.lists(st.integers(1, 4000), min_size=1, max_size=12),
        st.sampled_from(ZONES),
    )
    def test_gives_each_day_once_however_the_clock_ticks(self, begins, minutes, zone):
        here, now = ZoneInfo(zone), begins
        last = begins.astimezone(here).date() - datetime.timedelta(days=1)
        first, given_days = last, []
        for more in minutes:
            now += datetime.timedelta(minutes=more)
            found = days_due(at=NIGHT, after=last, now=now, zone=here, each_day=True)
            given_days += found
            last = found[-1] if found else last
        assert given_days == [first + datetime.timedelta(days=n + 1) for n in range(len(given_days))]
