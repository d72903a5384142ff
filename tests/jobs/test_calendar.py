"""The office lives through the nights at which clocks and calendars trip, in three zones, ticking each half hour.

15 U.S.C. 260a: clocks go forward at 2:00 on the second Sunday in March and back at 2:00 on the first Sunday in November; Arizona
keeps standard time. The zones' rules are tzdata's, through zoneinfo. Money's days are days of the calendar in every zone alike.
"""

import datetime
from collections import Counter
from collections.abc import Iterator
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.urls import reverse
from djmoney.money import Money

from billing import charges
from billing.autopay import authorising
from billing.autopay.authorising import Authorised
from billing.models import AutopayNotice, Charge, OverdueNotice
from rentals.documents import operations as documents
from rentals.documents import outbox
from rentals.documents.models import OutboxMessage
from rentals.jobs import working
from rentals.jobs.models import JobRun
from rentals.jobs.ticking import tick
from rentals.jobs.timetable import DAY_JOBS
from rentals.runtime import clock
from tests.billing.autopay.conftest import ROUTING, set_up
from tests.billing.factories import AgreementFactory, GuardianFactory, PlanFactory, PlanVersionFactory
from tests.factories import BookkeeperFactory
from tests.jobs.timetables import only

ZONES = ["America/Chicago", "America/New_York", "America/Phoenix"]
HALF = datetime.timedelta(minutes=30)
HOUR = 2 * HALF
DAY = datetime.timedelta(days=1)
FORWARD, BACK = datetime.date(2026, 3, 8), datetime.date(2026, 11, 1)
LEAP_DAY, LAST_OF_YEAR = datetime.date(2028, 2, 29), datetime.date(2026, 12, 31)
LAST_OF_FEBRUARY = datetime.date(2027, 2, 28)
DAYS = [FORWARD, BACK, LEAP_DAY, LAST_OF_FEBRUARY, LAST_OF_YEAR]


def midnight(on: datetime.date, zone: ZoneInfo) -> datetime.datetime:
    return datetime.datetime.combine(on, datetime.time(), zone).astimezone(datetime.UTC)


def half_hours(first: datetime.date, until: datetime.date, zone: ZoneInfo) -> Iterator[datetime.datetime]:
    """Give each half hour that passes from the begin of one day to the begin of another: 47 hours in March, 49 in November."""
    moment = midnight(first, zone)
    while moment < midnight(until, zone):
        yield moment
        moment += HALF


def nights(first: datetime.date, until: datetime.date, zone: ZoneInfo) -> Iterator[datetime.datetime]:
    """Give only those from half past eleven in the evening to nine in the morning."""
    for moment in half_hours(first, until, zone):
        wall = moment.astimezone(zone)
        if wall.hour < 9 or (wall.hour, wall.minute) == (23, 30):
            yield moment


def is_skipped(on: datetime.date, at: datetime.time, zone: ZoneInfo) -> bool:
    """Tell whether the clock on the wall never shows that time: it does not come back from UTC as it went."""
    there = datetime.datetime.combine(on, at, zone).astimezone(datetime.UTC).astimezone(zone)
    return there.time() != at


@pytest.fixture(params=ZONES)
def zone(request, settings) -> ZoneInfo:
    settings.TIME_ZONE = request.param
    return ZoneInfo(request.param)


@pytest.fixture(params=DAYS, ids=str)
def day(request) -> datetime.date:
    return request.param


@pytest.mark.django_db
class TestTheTimetable:
    def test_enters_each_job_once_a_day_when_the_wall_shows_its_time(self, zone, day):
        with only(*DAY_JOBS.values()):
            tick(now=midnight(day - DAY, zone) - HALF)
            known: set[int] = set()
            for moment in half_hours(day - DAY, day + 2 * DAY, zone):
                tick(now=moment)
                wall = moment.astimezone(zone)
                for run in JobRun.objects.exclude(pk__in=known):
                    known.add(run.pk)
                    at = DAY_JOBS[run.code].at
                    assert run.on == wall.date()
                    assert run.due_at <= moment < run.due_at + HALF, run
                    shown = run.due_at.astimezone(zone).replace(tzinfo=None)
                    if is_skipped(day, at, zone) and run.on == day:
                        shown -= HOUR
                    behind = [DAY_JOBS[code] for code in DAY_JOBS[run.code].after]
                    if not any(is_skipped(run.on, job.at, zone) for job in behind):
                        assert shown == datetime.datetime.combine(run.on, at)
            codes = list(DAY_JOBS)
            # A clock set back two hours at the end finds everything entered.
            tick(now=moment - 2 * HOUR)
            tick(now=moment)
        expected = {(code, on): 1 for code in codes for on in (day - DAY, day, day + DAY)}
        assert Counter(JobRun.objects.values_list("code", "on")) == expected

    def test_a_clock_that_slept_three_days_enters_nights_one_by_one_or_the_last_for_all(self, zone, day):
        with only(*DAY_JOBS.values()):
            tick(now=midnight(day - DAY, zone) + 12 * HOUR)
            tick(now=midnight(day + 2 * DAY, zone) + 12 * HOUR)
            codes = {code: job.each_day for code, job in DAY_JOBS.items()}
        days = [day, day + DAY, day + 2 * DAY]
        assert codes.pop("billing/bill")
        assert list(JobRun.objects.filter(code="billing/bill").order_by("on").values_list("on", flat=True)) == days
        rest = JobRun.objects.exclude(code="billing/bill").values_list("code", "on")
        assert sorted(rest) == sorted((code, days[-1]) for code, each_day in codes.items() if not each_day)

    @pytest.mark.parametrize("day", [FORWARD, BACK])
    def test_what_comes_after_another_job_is_not_due_before_it(self, zone, day):
        """In the night without two o'clock, ten past two comes after three."""
        with only(*DAY_JOBS.values()):
            tick(now=midnight(day, zone) - DAY)
            for moment in half_hours(day, day + DAY, zone):
                tick(now=moment)
                tick(now=moment + datetime.timedelta(minutes=10))
            due = {run.code: run.due_at for run in JobRun.objects.filter(on=day)}
            for code, job in DAY_JOBS.items():
                assert all(due[before] <= due[code] for before in job.after), code


MONEY_JOBS = ("billing/bill", "billing/late_fees", "billing/autopay_notices", "billing/overdue_steps")


class Families:
    """Four families to whom something happens on a day, and what happened to each."""

    def __init__(self, day: datetime.date) -> None:
        self.billed = AgreementFactory(starts_on=self._before(day))
        self.late = self._owing(AgreementFactory(starts_on=day - 10 * DAY))
        GuardianFactory(
            household=self.late.household, is_primary=True, email="family@families.example",
            quiet_from=datetime.time(21), quiet_until=datetime.time(8),
        )  # fmt: skip
        version = PlanVersionFactory(plan=PlanFactory(code="late-fee"), late_fee=Money("5.00", "USD"), grace_days=10)
        self.fined = self._owing(AgreementFactory(starts_on=day - 11 * DAY, plan_version=version))
        self.debited = AgreementFactory(starts_on=day + 12 * DAY)
        set_up()
        given = Authorised(
            household=self.debited.household, guardian=GuardianFactory(household=self.debited.household, is_primary=True),
            account_type="checking", routing_number=ROUTING, account_number="7391846205518", authorised_on=clock.today(),
        )  # fmt: skip
        authorising.authorise(given=given, acting_user=BookkeeperFactory(), now=clock.now())

    def _before(self, day: datetime.date) -> datetime.date:
        """A begin, from which a month begins on that day: the 31st where the day is its month's last."""
        if (day + DAY).day > 1:
            return (day.replace(day=1) - DAY).replace(day=day.day)
        return {12: datetime.date(day.year, 10, 31), 2: datetime.date(day.year, 1, 31)}[day.month]

    def _owing(self, agreement):
        charges.charge_period(agreement=agreement, period=0, acting_user=BookkeeperFactory(), now=clock.now())
        return agreement

    def events(self, day: datetime.date) -> dict[str, bool]:
        charged = Charge.objects.filter(void_entry=None)
        letters = OutboxMessage.objects.filter(household=self.late.household, kind="overdue")
        return {
            "billed": charged.filter(agreement=self.billed, kind="rent", due_on=day).exists(),
            "fined": charged.filter(agreement=self.fined, kind="fee").exists(),
            "told of a debit": AutopayNotice.objects.filter(household=self.debited.household).exists(),
            "reminded": OverdueNotice.objects.filter(household=self.late.household).exists(),
            "mailed": letters.filter(state="sent").exists(),
        }


@pytest.mark.django_db
def test_money_happens_on_its_day_at_its_time_in_every_zone(zone, day):
    """Each half hour of the nights around a day: nothing early, nothing twice, the same days everywhere."""
    first: dict[str, str] = {}
    with only(*(DAY_JOBS[code] for code in MONEY_JOBS)):
        with time_machine.travel(midnight(day - DAY, zone) - HALF, tick=False):
            tick(now=clock.now())
            families = Families(day)
        for moment in nights(day - DAY, day + 2 * DAY, zone):
            with time_machine.travel(moment, tick=False):
                assert clock.today() == moment.astimezone(zone).date()
                tick(now=clock.now())
                for run in JobRun.objects.filter(state="waiting").order_by("due_at"):
                    working.work_on(run_id=run.pk, now=clock.now)
                for message in OutboxMessage.objects.filter(household=families.late.household, document__state="waiting"):
                    documents.make_document(document_id=message.document_id, now=clock.now())
                outbox.send_due_messages(now=clock.now())
            wall = moment.astimezone(zone)
            for name, has_happened in families.events(day).items():
                if has_happened:
                    first.setdefault(name, f"{wall:%Y-%m-%d %H:%M}")
    assert set(JobRun.objects.values_list("state", flat=True)) == {"done"}
    skipped = is_skipped(day, datetime.time(2, 10), zone)
    assert first == {
        "billed": f"{day} 03:30" if skipped else f"{day} 02:30",
        "fined": f"{day} 03:30" if skipped else f"{day} 03:00",
        "told of a debit": f"{told_on(day)} 06:30",
        "reminded": f"{day} 07:00",
        "mailed": f"{day} 08:00",
    }
    rent = Charge.objects.get(agreement=families.billed, kind="rent", due_on=day)
    fee = Charge.objects.get(agreement=families.fined, kind="fee")
    assert (rent.entry.entry_on, fee.due_on) == (day, day)
    assert OverdueNotice.objects.get(household=families.late.household).episode_on == day - 10 * DAY


@pytest.mark.django_db
def test_asked_for_before_midnight_it_is_today_and_an_hour_later_tomorrow(zone, day, client_as):
    """Half past eleven in the evening is the next day in Greenwich, and in none of these zones."""

    def ask_for_all() -> set[str]:
        client = client_as("manager")
        for code in MONEY_JOBS:
            client.post(reverse("job_run_now"), {"code": code})
            run = JobRun.objects.get(code=code, on=clock.today())
            assert working.work_on(run_id=run.pk, now=clock.now).state == "done"
        return {name for name, has_happened in families.events(day).items() if has_happened}

    with only(*(DAY_JOBS[code] for code in MONEY_JOBS)):
        with time_machine.travel(midnight(day, zone) - HALF, tick=False):
            assert clock.now().date() == day
            families = Families(day)
            early = ask_for_all()
        with time_machine.travel(midnight(day, zone) + HALF, tick=False):
            late = ask_for_all()
    assert early == ({"told of a debit"} if told_on(day) < day else set())
    assert late == {"billed", "fined", "told of a debit", "reminded"}
    assert Counter(JobRun.objects.values_list("on", flat=True)) == {day - DAY: 4, day: 4}


def told_on(day: datetime.date) -> datetime.date:
    """Say when a family is told of a debit in twelve days: earlier where a weekend puts that day's debits as late."""
    while (day - DAY + 12 * DAY).weekday() >= 5:
        day -= DAY
    return day
