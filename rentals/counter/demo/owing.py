"""Families that owe have been called and have promised: a promise that runs, a broken one, a payment plan, some notes."""

import datetime

from billing import aging
from billing.collecting import arrangements, calls
from billing.collecting.arrangements import Promised
from billing.collecting.calls import Call
from rentals.counter.demo.history import Story
from rentals.families.models import Household
from rentals.staff.models import Role


def let_happen(story: Story) -> None:
    """Let the families that owe least long say something; those that owe longest stay for the manager."""
    rows = [row for row in reversed(aging.list_overdue(story.today)) if row.amount > 1]
    found = Household.objects.in_bulk([row.household_id for row in rows])
    households = iter([found[row.household_id] for row in rows])
    for step in (_promise, _break, _plan, _leave_a_message):
        household = next(households, None)
        if household is not None:
            step(story, household)


def _arrange(story: Story, household: Household, kind: str, *, ago: int, first: int, count: int) -> None:
    """Arrange for all that was due `ago` days ago, from `first` days later on, by two weeks."""
    day = story.today - datetime.timedelta(days=ago)
    owed = arrangements.sum_past_due(household.pk, today=day)
    if owed <= 1:
        return
    parts = arrangements.plan_parts(owed, count=count, first_on=day + datetime.timedelta(days=first), every="two_weeks")
    promised = Promised(kind, f"The {household.name} family", parts, owed, "Said on the telephone")
    specialist = story.shop.people[Role.SPECIALIST.value]
    arrangements.arrange(household=household, promised=promised, acting_user=specialist, now=story.at(day), today=day)


def _call(story: Story, household: Household, ago: int, call: Call) -> None:
    day = story.today - datetime.timedelta(days=ago)
    specialist = story.shop.people[Role.SPECIALIST.value]
    calls.note_call(household=household, call=call, acting_user=specialist, now=story.at(day))


def _promise(story: Story, household: Household) -> None:
    _call(story, household, 2, Call("reached", f"The {household.name} family", "New job; pays after the first wages"))
    _arrange(story, household, "promise", ago=1, first=9, count=1)


def _break(story: Story, household: Household) -> None:
    """Promised, and not paid by the day and its grace: they are called again."""
    _arrange(story, household, "promise", ago=11, first=5, count=1)
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    arrangements.settle_arrangements(acting_user=bookkeeper, now=story.now, today=story.today)
    _call(story, household, 1, Call("no_answer", next_call_on=story.today))


def _plan(story: Story, household: Household) -> None:
    _arrange(story, household, "plan", ago=1, first=7, count=4)


def _leave_a_message(story: Story, household: Household) -> None:
    _call(story, household, 4, Call("message"))
