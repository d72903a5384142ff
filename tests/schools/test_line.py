"""The waiting line: numbers, who is called, how long it takes; what tablets report; what the database refuses."""

import datetime
import random
import statistics
import uuid

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction

from schools import line, line_rules
from schools.models import Night, NightTablet, WaitingNumber
from schools.nights import NightOverError
from tests.factories import SpecialistFactory
from tests.schools.factories import NightFactory, NightUnitFactory

NOW = datetime.datetime(2026, 11, 30, 23, 30, tzinfo=datetime.UTC)


def later(minutes):
    return NOW + datetime.timedelta(minutes=minutes)


@pytest.fixture
def night(db):
    return NightFactory()


@pytest.fixture
def rosa(db):
    return SpecialistFactory()


def take(night, rosa, **words):
    words = {"request_key": uuid.uuid4(), "now": NOW, **words}
    return line.take_a_number(night=night, acting_user=rosa, **words)


class TestTakeANumber:
    def test_numbers_follow_each_other_at_each_night(self, night, rosa):
        assert [take(night, rosa).number for _ in range(3)] == [1, 2, 3]
        assert take(NightFactory(), rosa).number == 1

    def test_one_tap_sent_twice_is_one_number(self, night, rosa):
        key = uuid.uuid4()
        assert take(night, rosa, request_key=key) == take(night, rosa, request_key=key)
        assert WaitingNumber.objects.count() == 1

    def test_a_form_from_home_stands_in_line_once_and_leaves_no_gap(self, night, rosa):
        first = take(night, rosa, note="k7qx", from_home=True)
        assert take(night, rosa, note="K7QX", from_home=True) == first
        assert (first.note, take(night, rosa).number) == ("K7QX", 2)
        line.leave(number=first, now=NOW)
        assert take(night, rosa, note="K7QX", from_home=True).number == 3

    def test_refused_when_the_night_is_over(self, rosa):
        over = NightFactory(state="called_off", ended_at=NOW, ended_by=rosa)
        with pytest.raises(NightOverError, match="called off"):
            take(over, rosa)

    @pytest.mark.parametrize("note", ["Rivera family", "m k", "é"])
    def test_the_database_refuses_what_could_be_a_name(self, night, note):
        with pytest.raises(DatabaseError), transaction.atomic():
            WaitingNumber.objects.create(night=night, number=1, place=1, note=note, came_at=NOW)


class TestCallNext:
    def test_calls_in_the_order_they_came_and_finishes_the_one_before(self, night, rosa):
        first, second = take(night, rosa), take(night, rosa)
        assert line.call_next(night=night, acting_user=rosa, now=later(1)) == first
        assert line.call_next(night=night, acting_user=rosa, now=later(13)) == second
        first.refresh_from_db()
        assert first.done_at == later(13)
        assert line.call_next(night=night, acting_user=rosa, now=later(14)) is None
        second.refresh_from_db()
        assert second.done_at is None

    def test_a_colleague_at_the_next_table_keeps_hers(self, night, rosa):
        first, second = take(night, rosa), take(night, rosa)
        line.call_next(night=night, acting_user=rosa, now=NOW)
        assert line.call_next(night=night, acting_user=SpecialistFactory(), now=NOW) == second
        first.refresh_from_db()
        assert first.done_at is None

    def test_an_answer_that_a_tablet_never_heard_is_found_again(self, night, rosa):
        first, device = take(night, rosa), uuid.uuid4()
        words = {"night": night, "acting_user": rosa, "device": device}
        assert line.get_unheard(heard=None, **words) is None
        line.call_next(now=NOW, **words)
        assert line.get_unheard(heard=None, **words) == first
        assert line.get_unheard(heard=1, **words) is None
        assert line.get_unheard(heard=None, **{**words, "device": uuid.uuid4()}) is None

    def test_a_signed_sign_up_ends_the_number_its_tablet_serves_and_no_other(self, night, rosa):
        first, second, device = take(night, rosa), take(night, rosa), uuid.uuid4()
        line.call_next(night=night, acting_user=rosa, device=device, now=later(2))
        for number, at in ((second.number, device), (first.number, uuid.uuid4())):
            assert not line.finish_served(night=night, number=number, device=at, now=later(9))
        assert line.finish_served(night=night, number=1, device=device, now=later(1))
        assert not line.finish_served(night=night, number=1, device=device, now=later(9))
        first.refresh_from_db()
        assert first.done_at == later(2)

    def test_is_one_statement(self, night, rosa, django_assert_num_queries):
        take(night, rosa)
        with django_assert_num_queries(1):
            called = line.call_next(night=night, acting_user=rosa, now=later(1))
        assert (called.called_at, called.called_by, called.device) == (later(1), rosa, None)
        with django_assert_num_queries(1):
            assert line.call_next(night=night, acting_user=rosa, now=later(2)) is None

    @pytest.mark.django_db(transaction=True)
    def test_forty_who_call_at_once_get_forty_numbers(self, race):
        night, people = NightFactory(), [SpecialistFactory() for _ in range(8)]
        for _ in range(6):
            take(night, people[0])
        calls = [lambda who=who: line.call_next(night=night, acting_user=who, now=NOW) for who in people]
        called = [number.number for number in race(*calls) if number is not None]
        assert sorted(called) == [1, 2, 3, 4, 5, 6]


class TestMoves:
    def test_put_back_goes_behind_the_next_two(self, night, rosa):
        for _ in range(4):
            take(night, rosa)
        absent = line.call_next(night=night, acting_user=rosa, now=NOW)
        line.put_back(number=absent)
        assert [row.number for row in line.get_line(night, now=NOW).waiting] == [2, 3, 1, 4]

    def test_gone_and_done_once_only(self, night, rosa):
        number = take(night, rosa)
        with pytest.raises(line.NumberMovedOnError, match="Number 1 is waiting already"):
            line.finish(number=number, now=NOW)
        line.leave(number=number, now=NOW)
        assert line.leave(number=number, now=later(5)).left_at == NOW
        assert line.get_line(night, now=NOW).gone == 1
        assert line.put_back(number=number).left_at is None

    @pytest.mark.parametrize(
        "columns",
        [
            "done_at = came_at",
            "called_at = came_at",
            "left_at = came_at - interval '1 minute'",
            "number = 0",
        ],
    )
    def test_the_database_refuses_what_cannot_be(self, night, rosa, columns):
        take(night, rosa)
        with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(f"UPDATE schools_waitingnumber SET {columns}")


class TestHowLong:
    def test_says_nothing_before_it_knows(self, night, rosa):
        take(night, rosa)
        assert line.get_line(night, now=NOW).wait is None

    def test_median_and_wait_of_the_next(self, night, rosa):
        for _ in range(5):
            take(night, rosa)
        for minute in (0, 10, 22, 42):
            line.call_next(night=night, acting_user=rosa, now=later(minute))
        seen = line.get_line(night, now=later(42))
        assert (seen.minutes, seen.done, seen.desks) == (12, 3, 1)
        assert [wait for _, wait in seen.waits()] == [12]
        assert seen.wait == 24

    def test_worked_example(self):
        assert line_rules.expected_wait(ahead=7, desks=4, minutes=12) == 24
        assert line_rules.typical_minutes([600, 720]) is None

    @pytest.mark.parametrize(("ahead", "desks"), [(0, 1), (3, 2), (7, 4), (20, 4)])
    def test_agrees_with_a_line_that_is_played_through(self, ahead, desks):
        """M/M/c: with all desks taken, the wait of the one behind `ahead` others is (ahead + 1) times mean / desks."""
        chance = random.Random(7)

        def play():
            free = sorted(chance.expovariate(1 / 10) for _ in range(desks))
            for _ in range(ahead):
                free = sorted([*free[1:], free[0] + chance.expovariate(1 / 10)])
            return free[0]

        played = statistics.fmean(play() for _ in range(4000))
        assert played == pytest.approx(line_rules.expected_wait(ahead=ahead, desks=desks, minutes=10), rel=0.08, abs=1)


class TestTablets:
    def test_the_last_report_counts(self, night, rosa):
        device = uuid.uuid4()
        for waiting in (3, 1):
            told = line.report(
                night=night, device=device, waiting=waiting, attention=1, oldest_minutes=4, acting_user=rosa, now=NOW
            )
        assert (NightTablet.objects.count(), told.held, told.is_settled) == (1, 2, False)

    def test_a_file_handed_over_settles_what_was_in_it_and_no_more(self, night, rosa):
        device = uuid.uuid4()
        words = {"night": night, "device": device, "attention": 0, "oldest_minutes": 4, "acting_user": rosa, "now": NOW}
        tablet = line.report(waiting=2, **words)
        line.hand_over(tablet=tablet, note="On the stick, to Bea", acting_user=rosa, now=later(1))
        assert line.report(waiting=2, **words).is_settled
        assert not line.report(waiting=3, **words).is_settled

    def test_nothing_to_hand_over(self, night, rosa):
        tablet = line.report(
            night=night, device=uuid.uuid4(), waiting=0, attention=0, oldest_minutes=0, acting_user=rosa, now=NOW
        )
        with pytest.raises(line.NothingUnsentError):
            line.hand_over(tablet=tablet, note="x", acting_user=rosa, now=NOW)


class TestClosedNights:
    """What the database holds of a night's end, asked of it in its own words."""

    def close(self, app_cursor, night):
        closed = "state = 'closed', opened_at = now(), ended_at = now(), ended_by_id = made_by_id"
        app_cursor.execute(f"UPDATE schools_night SET {closed} WHERE id = %s", [night.pk])

    def test_not_closed_with_an_instrument_along(self, app_cursor):
        unit = NightUnitFactory()
        with pytest.raises(Exception, match="instruments are still along"):
            self.close(app_cursor, unit.night)
        unit.outcome, unit.ended_at, unit.ended_by = "missing", NOW, unit.loaded_by
        unit.save()
        self.close(app_cursor, unit.night)
        assert Night.objects.get().state == "closed"

    def test_closed_stays_closed_and_takes_nothing_along(self, app_cursor):
        night = NightFactory()
        spare = NightUnitFactory()
        self.close(app_cursor, night)
        with pytest.raises(Exception, match="stays closed"):
            app_cursor.execute(
                "UPDATE schools_night SET state = 'open', ended_at = NULL, ended_by_id = NULL WHERE id = %s", [night.pk]
            )
        with pytest.raises(Exception, match="nothing is along at a night that is over"):
            app_cursor.execute("UPDATE schools_nightunit SET night_id = %s WHERE id = %s", [night.pk, spare.pk])
