"""Promises and payment plans: they add up, they pause the steps, and what was paid decides whether they were kept."""

import datetime
import uuid
from decimal import Decimal

import psycopg
import pytest

from billing import charges, overdue, payments, verify
from billing.collecting import arrangements, is_paused, parts, queries
from billing.collecting.arrangements import Promised
from billing.models import Arrangement, OverdueNotice
from tests.billing.factories import AgreementFactory
from tests.factories import BookkeeperFactory

D = Decimal
DUE = datetime.date(2026, 1, 31)


def day(days_late: int) -> datetime.date:
    return DUE + datetime.timedelta(days=days_late)


def noon(days_late: int) -> datetime.datetime:
    return datetime.datetime.combine(day(days_late), datetime.time(18), datetime.UTC)


@pytest.fixture
def clerk(db):
    return BookkeeperFactory()


@pytest.fixture
def owing(clerk):
    """A household with one period of 26.65 due on January 31, 2026."""
    agreement = AgreementFactory()
    charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=noon(0))
    return agreement.household


def promise(household, clerk, *, by: int, amount: str = "26.65", at: int = 12, shown: str = "26.65", **more) -> Arrangement:
    promised = Promised("promise", "Jo Sample", ((day(by), D(amount)),), D(shown))
    return arrangements.arrange(household=household, promised=promised, acting_user=clerk, now=noon(at), today=day(at), **more)


def plan(household, clerk, *, count: int, first: int, every: str = "week", at: int = 12) -> Arrangement:
    found = arrangements.plan_parts(D("26.65"), count=count, first_on=day(first), every=every)
    promised = Promised("plan", "Jo Sample", found, D("26.65"))
    return arrangements.arrange(household=household, promised=promised, acting_user=clerk, now=noon(at), today=day(at))


def pay(household, clerk, amount: str, on: int):
    return payments.record_payment(
        household=household, method="cash", amount=D(amount), received_on=day(on), acting_user=clerk, now=noon(on)
    )


def take(clerk, days_late: int) -> int:
    return overdue.take_overdue_steps(today=day(days_late), now=noon(days_late), acting_user=clerk)


def endings(household) -> list[tuple[str, datetime.date | None]]:
    return list(Arrangement.objects.filter(household=household).order_by("pk").values_list("ending", "ended_on"))


class TestParts:
    @pytest.mark.parametrize(("amount", "count"), [("100.00", 3), ("26.65", 4), ("0.05", 4), ("1234.56", 24), ("10.00", 1)])
    def test_add_up_equal_but_for_the_last_which_takes_the_rest(self, amount, count):
        found = parts.split_evenly(D(amount), count)
        assert sum(found) == D(amount) and len(found) == count
        assert len(set(found[:-1])) <= 1 and D("0.00") <= found[-1] - found[0] < D("0.01") * count
        assert all(each > 0 and each == each.quantize(D("0.01")) for each in found)

    @pytest.mark.parametrize(
        ("amount", "count", "each", "last"),
        [
            ("100.00", 3, "33.33", "33.34"),
            ("26.65", 4, "6.66", "6.67"),
            ("1234.56", 24, "51.44", "51.44"),
            ("0.07", 4, "0.01", "0.04"),
        ],
    )
    def test_worked_by_hand(self, amount, count, each, last):
        assert parts.split_evenly(D(amount), count) == [*[D(each)] * (count - 1), D(last)]

    def test_days_by_the_month_stay_in_it(self):
        found = parts.list_days(datetime.date(2027, 1, 31), 4, "month")
        assert [each.isoformat() for each in found] == ["2027-01-31", "2027-02-28", "2027-03-31", "2027-04-30"]


class TestPromise:
    def test_pauses_the_steps_until_its_day_and_grace_then_they_go_on(self, owing, clerk):
        """10 days: the first step. Promised on day 12 by day 30, three days of grace: the second comes on 34, not on 25."""
        assert [late for late in range(1, 12) if take(clerk, late)] == [10]
        promise(owing, clerk, by=30)
        assert is_paused(owing, day(33)) and not is_paused(owing, day(34))
        assert [late for late in range(12, 40) if take(clerk, late)] == [34]
        assert endings(owing) == [("broken", day(34))]

    def test_is_kept_by_a_payment_within_the_grace(self, owing, clerk):
        promise(owing, clerk, by=30, amount="20.00")
        pay(owing, clerk, "20.00", 32)
        assert is_paused(owing, day(30))
        assert [late for late in range(32, 40) if take(clerk, late)] == [32]
        assert endings(owing) == [("kept", day(32))]

    def test_is_kept_by_what_arrived_in_several_parts_though_settled_late(self, owing, clerk):
        promise(owing, clerk, by=30, amount="20.00")
        pay(owing, clerk, "12.00", 20)
        pay(owing, clerk, "8.00", 33)
        take(clerk, 60)
        assert endings(owing) == [("kept", day(60))]

    def test_a_day_after_the_grace_is_too_late(self, owing, clerk):
        promise(owing, clerk, by=30, amount="20.00")
        pay(owing, clerk, "20.00", 34)
        take(clerk, 60)
        assert endings(owing) == [("broken", day(60))]

    def test_a_cent_less_breaks_it(self, owing, clerk):
        promise(owing, clerk, by=30, amount="20.00")
        pay(owing, clerk, "19.99", 20)
        take(clerk, 34)
        assert endings(owing) == [("broken", day(34))]

    def test_a_payment_that_came_back_was_none(self, owing, clerk):
        promise(owing, clerk, by=30)
        paid = pay(owing, clerk, "26.65", 20)
        payments.return_payment(payment=paid, reason="NSF", returned_on=day(25), acting_user=clerk, now=noon(25))
        take(clerk, 34)
        assert endings(owing) == [("broken", day(34))]

    def test_a_second_one_is_possible_when_the_first_is_over_and_both_are_shown(self, owing, clerk):
        promise(owing, clerk, by=20)
        promise(owing, clerk, by=40, at=24)
        assert endings(owing) == [("broken", day(24)), ("", None)]

    def test_not_while_one_runs(self, owing, clerk):
        promise(owing, clerk, by=20)
        with pytest.raises(arrangements.ArrangementRunsError, match="Withdraw it first"):
            promise(owing, clerk, by=40, at=13)

    def test_withdrawn_lets_the_steps_go_on(self, owing, clerk):
        found = promise(owing, clerk, by=30)
        given = {"acting_user": clerk, "now": noon(13), "today": day(13)}
        arrangements.withdraw(arrangement=found, why="They called: it cannot be kept", **given)
        assert take(clerk, 13) == 1
        with pytest.raises(arrangements.ArrangementEndedError):
            arrangements.withdraw(arrangement=found, why="Again", **given)

    @pytest.mark.parametrize(
        ("changes", "error"),
        [
            ({"amount": "26.66"}, arrangements.MoreThanPastDueError),
            ({"shown": "20.00"}, arrangements.PastDueChangedError),
            ({"by": 11}, arrangements.DayDoesNotFitError),
            ({"by": 400}, arrangements.DayDoesNotFitError),
        ],
    )
    def test_refuses(self, owing, clerk, changes, error):
        with pytest.raises(error):
            promise(owing, clerk, **{"by": 20, **changes})
        assert not Arrangement.objects.exists()

    def test_refuses_where_nothing_is_due(self, owing, clerk):
        pay(owing, clerk, "26.65", 1)
        with pytest.raises(arrangements.NothingPastDueError):
            promise(owing, clerk, by=20)

    def test_sent_twice_is_one(self, owing, clerk):
        key = uuid.uuid4()
        assert promise(owing, clerk, by=20, request_key=key) == promise(owing, clerk, by=20, request_key=key)


class TestPlan:
    def test_pauses_while_kept_and_breaks_by_the_part_that_is_missed(self, owing, clerk):
        """26.65 in three: 8.88, 8.88, 8.89 on days 20, 27 and 34; the second is not paid, so it breaks on day 27 + 3 + 1."""
        found = plan(owing, clerk, count=3, first=20)
        assert list(found.instalments.values_list("amount", flat=True)) == [D("8.88"), D("8.88"), D("8.89")]
        pay(owing, clerk, "8.88", 19)
        assert [late for late in range(12, 40) if take(clerk, late)] == [31]
        assert endings(owing) == [("broken", day(31))]

    def test_ends_when_it_is_paid_though_earlier_than_planned(self, owing, clerk):
        plan(owing, clerk, count=3, first=20)
        pay(owing, clerk, "26.65", 15)
        arrangements.settle_arrangements(acting_user=clerk, now=noon(15), today=day(15))
        assert endings(owing) == [("kept", day(15))]

    def test_new_rent_does_not_count_as_debt_of_the_plan(self, owing, clerk):
        plan(owing, clerk, count=2, first=20, every="month")
        agreement = owing.agreements.get()
        charges.charge_period(agreement=agreement, period=1, acting_user=clerk, now=noon(28))
        pay(owing, clerk, "13.33", 20)
        pay(owing, clerk, "13.32", 48)
        take(clerk, 49)
        assert endings(owing)[0][0] == "kept"

    def test_asks_the_database_as_often_for_many_as_for_one(self, owing, clerk, django_assert_num_queries):
        promise(owing, clerk, by=20)
        for _ in range(3):
            agreement = AgreementFactory()
            charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=noon(0))
            promise(agreement.household, clerk, by=20)
        ids = list(Arrangement.objects.values_list("household", flat=True))
        with django_assert_num_queries(2):
            assert len(queries.list_paused(ids, today=day(13))) == 4


@pytest.mark.django_db(transaction=True)
class TestTwoAtOnce:
    def test_one_promise_a_household(self, race):
        clerk, agreement = BookkeeperFactory(), AgreementFactory()
        charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=noon(0))
        results = race(*[lambda: promise(agreement.household, clerk, by=20)] * 3)
        assert sorted(type(each).__name__ for each in results) == ["Arrangement", "ArrangementRunsError", "ArrangementRunsError"]


INSERT = """
    INSERT INTO billing_arrangement (household_id, kind, amount, owed, promised_by, note, grace_days, made_on, made_at,
                                     made_by_id, ending, why)
    VALUES (%s, %s, %s, 20, 'Jo', '', 3, '2026-02-12', now(), %s, '', '') RETURNING id"""
PART = "INSERT INTO billing_instalment (arrangement_id, position, due_on, amount) VALUES (%s, %s, %s, %s)"


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
class TestDatabase:
    @pytest.mark.parametrize(
        ("kind", "amount", "rows", "name"),
        [
            ("plan", 20, [(1, "2026-02-20", 10), (2, "2026-02-27", 9.99)], "instalments_add_up"),
            ("plan", 20, [(1, "2026-02-20", 10), (3, "2026-02-27", 10)], "instalments_add_up"),
            ("plan", 20, [], "instalments_add_up"),
            ("promise", 20, [(1, "2026-02-20", 10), (2, "2026-02-27", 10)], "instalments_add_up"),
            ("plan", 20, [(1, "2026-02-20", 10), (2, "2026-02-20", 10)], "instalments_go_forward"),
            ("promise", 10, [(1, "2026-02-11", 10)], "instalments_go_forward"),
            ("plan", 19, [(1, "2026-02-20", 19)], "plan_is_for_all"),
            ("promise", 21, [(1, "2026-02-20", 21)], "arrangement_within_what_is_owed"),
        ],
    )
    def test_refuses_what_does_not_add_up(self, request, role, kind, amount, rows, name):
        agreement, clerk, cursor = AgreementFactory(), BookkeeperFactory(), request.getfixturevalue(role)
        with pytest.raises(psycopg.Error) as error, cursor.connection.transaction():
            cursor.execute(INSERT, [agreement.household_id, kind, amount, clerk.pk])
            made = cursor.fetchone()[0]
            for row in rows:
                cursor.execute(PART, [made, *row])
        assert error.value.diag.constraint_name == name

    def test_keeps_one_open_and_what_was_made(self, request, role):
        clerk, agreement, cursor = BookkeeperFactory(), AgreementFactory(), request.getfixturevalue(role)
        charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=noon(0))
        made = promise(agreement.household, clerk, by=20)
        with pytest.raises(psycopg.Error) as error, cursor.connection.transaction():
            cursor.execute(INSERT, [agreement.household_id, "promise", 20, clerk.pk])
        assert error.value.diag.constraint_name == "one_arrangement_a_household"
        ended = f"ended_on = '2026-02-13', ended_at = now(), ended_by_id = {clerk.pk}"
        for statement in (
            "UPDATE billing_arrangement SET amount = 1",
            "UPDATE billing_instalment SET amount = 1",
            "DELETE FROM billing_arrangement",
            f"UPDATE billing_arrangement SET {ended}, ending = 'withdrawn'",
            f"UPDATE billing_arrangement SET {ended}, ending = 'forgotten'",
            f"{PART % (made.pk, 2, chr(39) + '2026-02-20' + chr(39), 1)}",
        ):
            with pytest.raises(psycopg.Error):
                cursor.execute(statement)
        cursor.execute(f"UPDATE billing_arrangement SET {ended}, ending = 'kept'")
        with pytest.raises(psycopg.Error, match="only end, once"):
            cursor.execute(f"UPDATE billing_arrangement SET {ended}, ending = 'broken'")


class TestVerify:
    def test_finds_a_step_taken_while_a_promise_ran(self, owing, clerk):
        promise(owing, clerk, by=30)
        step = overdue.list_progress([(owing.pk, DUE)])[owing.pk].steps[2]
        OverdueNotice.objects.create(household=owing, episode_on=DUE, step=3, rule=step, message=None, made_at=noon(15))
        found = [breaches for check, breaches in verify.run_checks() if "while a promise" in check.title]
        assert len(found[0]) == 1 and owing.number in found[0][0]
