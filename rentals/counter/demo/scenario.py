"""The scenario put together: the shop, its families, the months behind it, and what lies on the desk today."""

import datetime
import random

from dateutil.relativedelta import relativedelta

from rentals.counter.demo import (
    counts,
    doors,
    evening,
    fleet,
    history,
    incidents,
    labels,
    nights,
    papers,
    people,
    pictures,
    runs,
    schools,
    shop,
)
from rentals.runtime.statistics import refresh_statistics
from schools.models import Night

MONTHS = 18


def load(*, households: int, seed: int, today: datetime.date, now: datetime.datetime) -> None:
    """Write the whole scenario. Eight instruments for every six households; the same seed and day give the same books."""
    chance = random.Random(seed)  # noqa: S311 - an invented history, no secret
    opened_on = (today - relativedelta(months=MONTHS)).replace(day=1)
    opened_at = now - (today - opened_on) - datetime.timedelta(days=1)
    the_shop = shop.open_shop(opened_on=opened_on, now=opened_at)
    families = people.enrol_families(the_shop, count=households, opened_on=opened_on, today=today, chance=chance)
    shelf = people.stock_shelves(the_shop, count=households * 4 // 3, opened_on=opened_on, at=opened_at, chance=chance)
    fleet.book_fleet(the_shop, opened_on=opened_on, now=opened_at)
    labels.label_fleet(the_shop, now=opened_at)
    chance.shuffle(shelf)
    story = history.Story(the_shop, families, shelf, opened_on, today, now, chance)
    history.live_through(story, month_ends=papers.close_a_month)
    refresh_statistics()
    incidents.let_happen(story)
    pictures.take_pictures(the_shop, now=now)
    counts.count_stock(the_shop, now=now)
    schools.tell(story)
    nights.plan_nights(story)
    doors.open_doors(story)
    nights.load_the_van(story)
    runs.drive(story)
    refresh_statistics()


def live_through_the_evening(*, today: datetime.date) -> None:
    """Let the sign-up night that is over happen, as its tablets sent it: each sign-up in a transaction of its own."""
    night = Night.objects.filter(on__lt=today, state=Night.State.OPEN).select_related("school").order_by("on", "pk").first()
    if night is not None:
        evening.live_through(night)
        refresh_statistics()
