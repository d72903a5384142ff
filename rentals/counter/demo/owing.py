"""Families that owe: some left a repair unpaid, others were called and have promised, kept or broken it, or pay by a plan."""

import datetime
from decimal import Decimal

from billing import aging, charges
from billing.collecting import arrangements, calls
from billing.collecting.arrangements import Promised
from billing.collecting.calls import Call
from rentals.counter.demo.history import Story
from rentals.families.models import Household
from rentals.staff.models import Role

UNPAID = [
    # days ago, what was found after the return, what it came to
    (195, "Repair after the return: bell crushed", "148.00"),
    (152, "Repair after the return: neck of the violin broken off", "186.50"),
    (124, "Case not brought back", "64.00"),
    (101, "Repair after the return: water in the pads", "92.75"),
    (48, "Mouthpiece not brought back", "38.00"),
]


def leave_unpaid(story: Story) -> None:
    """Some families brought their instrument back and never paid what was found broken: nothing is left but to write it off."""
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    gone = Household.objects.filter(agreements__end_reason="returned", open_items=None, postings__isnull=False)
    gone = gone.exclude(agreements__ended_on=None).distinct().order_by("-pk")
    for days, what, amount in UNPAID:
        day = story.today - datetime.timedelta(days=days)
        household = gone.exclude(agreements__ended_on__gt=day).first()
        if household is not None:
            charges.charge_fee(
                household=household, on=day, description=what, amount=Decimal(amount), acting_user=bookkeeper, now=story.at(day)
            )


def let_happen(story: Story) -> None:
    """Let the families that owe least long say something; those that owe longest were called and stay for the manager."""
    rows = [row for row in reversed(aging.list_overdue(story.today)) if row.amount > 1]
    found = Household.objects.in_bulk([row.household_id for row in rows])
    # What was not billed yet when it was promised is not part of the promise: it was due in a month before.
    billed_before = (story.today - datetime.timedelta(days=BROKEN_AFTER)).replace(day=1)
    late_enough = next((row for row in rows if row.since < billed_before), None)
    if late_enough is not None:
        _break(story, found[late_enough.household_id])
        rows.remove(late_enough)
    households = iter([found[row.household_id] for row in rows])
    for step in (_promise, _plan, _leave_a_message):
        household = next(households, None)
        if household is not None:
            step(story, household)
    for household, (reached, said) in zip(list(households)[::-1], SAID, strict=False):
        _call(story, household, 25, Call("message"))
        if reached:
            next_call_on = story.today - datetime.timedelta(days=1)
            _call(story, household, 15, Call("reached", f"The {household.name} family", said, next_call_on=next_call_on))


BROKEN_AFTER = 11
SAID = [
    (True, "Says it was broken when they got it; wants to see the photographs"),
    (False, ""),
    (True, "Moved to another state; will ask the father, who signed"),
]


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
    _arrange(story, household, "promise", ago=BROKEN_AFTER, first=5, count=1)
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    arrangements.settle_arrangements(acting_user=bookkeeper, now=story.now, today=story.today)
    _call(story, household, 1, Call("no_answer", next_call_on=story.today))


def _plan(story: Story, household: Household) -> None:
    _arrange(story, household, "plan", ago=1, first=7, count=4)


def _leave_a_message(story: Story, household: Household) -> None:
    _call(story, household, 4, Call("message"))
