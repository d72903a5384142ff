"""The demo's card payments, by the practice processor: some paid and paid out, one under way. No money moves."""

import datetime
import uuid
from decimal import Decimal

from billing.cards import attempts, payouts, processors
from billing.models import CardAttempt, PracticeCharge
from rentals.counter.demo.history import Story
from rentals.families.models import Household
from rentals.staff.models import Role

DAYS_AGO = (6, 6, 5, 1)
AMOUNT = Decimal("25.00")


def pay_by_card(story: Story) -> None:
    """Let a few families pay by card in the last days, read the payouts, and leave one page open."""
    processor = processors.current()
    if processor is None or not processor.is_practice:
        return
    chosen = [family.household for family in story.families if family.habit == "prompt"][: len(DAYS_AGO) + 1]
    for household, days in zip(chosen, DAYS_AGO, strict=False):
        day = story.today - datetime.timedelta(days=days)
        _pay(story, household, story.at(day, 11))
    if len(chosen) > len(DAYS_AGO):
        _open(story, chosen[-1], story.now)
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    payouts.read_payouts(processor=processor, acting_user=bookkeeper, now=story.now, today=story.today)


def _open(story: Story, household: Household, now: datetime.datetime) -> CardAttempt:
    key = uuid.UUID(int=story.chance.getrandbits(128), version=4)
    asked = attempts.CardAsked(household, AMOUNT, "/cards/")
    clerk = story.shop.people[Role.SPECIALIST.value]
    attempt = attempts.begin_attempt(asked=asked, key=key, acting_user=clerk, now=now)
    return attempts.open_page(attempt=attempt, now=now)


def _pay(story: Story, household: Household, now: datetime.datetime) -> None:
    attempt = _open(story, household, now)
    PracticeCharge.objects.filter(key=attempt.key).update(state=PracticeCharge.State.PAID, made_at=now, paid_at=now)
    attempts.ask(attempt=attempt, now=now)
