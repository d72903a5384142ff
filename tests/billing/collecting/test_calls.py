"""Notes of calls, and whom to call today."""

import datetime

import psycopg
import pytest

from billing import charges, overdue
from billing.collecting import call_list, calls
from billing.collecting.calls import Call
from billing.models import CallNote
from tests.billing.collecting.test_arrangements import day, noon, promise
from tests.billing.factories import AgreementFactory, HouseholdFactory
from tests.factories import BookkeeperFactory


@pytest.fixture
def clerk(db):
    return BookkeeperFactory()


@pytest.fixture
def owing(clerk):
    """A household whose third step, the call, was taken on day 35."""
    agreement = AgreementFactory()
    charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=noon(0))
    for late in (10, 25, 35):
        overdue.take_overdue_steps(today=day(late), now=noon(late), acting_user=clerk)
    return agreement.household


def listed(days_late: int) -> list[datetime.date]:
    return [each.call_on for each in call_list.list_calls(today=day(days_late))]


def note(household, clerk, at: int, outcome: str = "no_answer", **more) -> CallNote:
    moment = noon(at) + datetime.timedelta(hours=1)
    return calls.note_call(household=household, call=Call(outcome, **more), acting_user=clerk, now=moment)


class TestListCalls:
    def test_has_who_came_to_the_step(self, owing):
        assert (listed(34), listed(35), listed(36)) == ([], [day(35)], [day(35)])

    def test_a_call_without_answer_comes_again_on_the_next_weekday(self, owing, clerk):
        """Day 35 is Saturday, March 7, 2026: the next call is on Monday."""
        found = note(owing, clerk, 35)
        assert found.next_call_on == datetime.date(2026, 3, 9)
        assert (listed(35), listed(36), listed(37)) == ([], [], [day(37)])

    def test_who_was_reached_is_called_again_on_the_day_that_was_written(self, owing, clerk):
        note(owing, clerk, 35, "reached", spoke_with="Jo", said="Pays on the 20th", next_call_on=day(44))
        assert (listed(43), listed(44)) == ([], [day(44)])
        note(owing, clerk, 44, "reached", spoke_with="Jo", said="Paid at the counter")
        assert listed(60) == []

    def test_who_promised_is_not_called_until_it_is_broken(self, owing, clerk):
        note(owing, clerk, 35, "message")
        promise(owing, clerk, by=45, at=36)
        assert (listed(48), listed(49)) == ([], [day(38)])


class TestNoteCall:
    def test_that_reached_says_whom_and_what(self, owing, clerk):
        with pytest.raises(calls.CallSaysTooLittleError):
            note(owing, clerk, 35, "reached", spoke_with="Jo", said="  ")

    def test_the_next_call_lies_ahead(self, owing, clerk):
        with pytest.raises(calls.NextCallPassedError):
            note(owing, clerk, 35, next_call_on=day(35))


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
def test_the_database_keeps_notes(request, role):
    cursor = request.getfixturevalue(role)
    calls.note_call(household=HouseholdFactory(), call=Call("message"), acting_user=BookkeeperFactory(), now=noon(35))
    for statement in (
        "UPDATE billing_callnote SET said = 'Other'",
        "DELETE FROM billing_callnote",
        "INSERT INTO billing_callnote (household_id, outcome, spoke_with, said, called_at, called_by_id) "
        "SELECT household_id, 'reached', '', '', now(), called_by_id FROM billing_callnote",
    ):
        with pytest.raises(psycopg.Error):
            cursor.execute(statement)
