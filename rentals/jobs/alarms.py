"""What should have happened by itself and did not. Rooms say it in sentences; the page of jobs and the first page show them."""

import datetime
from collections.abc import Callable

from django.core.cache import cache

from rentals.jobs import queries
from rentals.staff.today import Told

Alarm = Callable[[datetime.datetime], str]
ALARMS: list[Alarm] = []
KEPT_AS, SECONDS = "jobs/wrong", 30


def alarm(ask: Alarm) -> Alarm:
    """Have something asked for whenever somebody looks: a moment in, a sentence out, "" when all is well. A query at most."""
    ALARMS.append(ask)
    return ask


def list_alarms(*, now: datetime.datetime) -> list[str]:
    """List what is wrong, in sentences."""
    return [sentence for ask in ALARMS if (sentence := ask(now))]


def count_what_is_wrong(*, now: datetime.datetime) -> Told:
    """Tell the first page how much wants a person, and what, as it was half a minute ago at most: everybody opens that page."""
    told = cache.get(KEPT_AS)
    if told is None:
        told = _count(now)
        cache.set(KEPT_AS, told, SECONDS)
    return Told(*told)


def _count(now: datetime.datetime) -> tuple[int, str]:
    given_up, sentences = queries.list_given_up().count(), list_alarms(now=now)
    told = [f"{given_up} given up"] if given_up else []
    told += [f"{len(sentences)} not done in time"] if sentences else []
    return given_up + len(sentences), ", ".join(told)
