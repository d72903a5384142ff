"""Sign-up nights of the demo: one that is over, one to come with its allotment, and what is in its van already."""

import datetime
from typing import Any
from uuid import UUID

from django.db.models import Count

from billing.models import Taking
from rentals.counter.demo import evening
from rentals.counter.demo.history import Story
from rentals.counter.nights.planning.history import count_history
from rentals.inventory.models import Instrument
from rentals.inventory.queries import find_available
from rentals.staff.models import Role, User
from schools import nights, nights_allotment, nights_packing
from schools.models import Night, School
from schools.nights_stock import get_stock

LOADED = 6
LOADED_BEFORE = 16
BEFORE = datetime.timedelta(days=16)
MOST_BEFORE = 30
SECOND = "sam@office.example"


def plan_nights(story: Story) -> None:
    """Plan the night to come, five days from today, at the school with the most students; another school had one before."""
    schools = School.objects.annotate(students=Count("programmes__students")).filter(students__gte=1).order_by("-students", "pk")
    for school, days in zip(schools[:2], (5, -_days_before(story)), strict=False):
        night = _plan(story, school, story.today + datetime.timedelta(days=days))
        nights_allotment.propose_allotment(
            night=night,
            history=count_history(night, story.today),
            settings=nights_allotment.Settings(families=night.expected_families),
            version=0,
            acting_user=story.shop.people[Role.MANAGER.value],
            now=story.now + datetime.timedelta(days=days) if days < 0 else story.now,
        )
        if days < 0:
            _load_the_van_before(story, night)


def _days_before(story: Story) -> int:
    """Return how long ago the past night was: a day on which neither specialist took anything at the counter."""
    busy = set(Taking.objects.filter(person__role=Role.SPECIALIST).values_list("day", flat=True))
    days = range(BEFORE.days, MOST_BEFORE)
    return next((each for each in days if story.today - datetime.timedelta(days=each) not in busy), BEFORE.days)


def load_the_van(story: Story) -> None:
    """Load the first few instruments for the night to come, which opens it."""
    night = Night.objects.filter(state=Night.State.PLANNED, on__gte=story.today).order_by("on", "pk").first()
    if night is not None:
        lines = {unit.pk: need.line for need in get_stock(night.allotment).needs for unit in need.picks}
        for unit in Instrument.objects.filter(pk__in=list(lines)[:LOADED]).order_by("pk"):
            nights_packing.load(
                night=night,
                instrument=unit,
                line=lines[unit.pk],
                acting_user=story.shop.people[Role.TECHNICIAN.value],
                now=story.now,
            )


def _load_the_van_before(story: Story, night: Night) -> None:
    """Load the van of the night that is over: what was on the shelf by then."""
    began = evening.at(night, 14)
    free: list[Any] = [
        unit
        for line in night.allotment.lines.all()
        for unit in find_available(line.kind_id, line.size, location=night.location_id)
    ]
    along = [unit for unit in free if unit.here.began_at < began]
    technician = story.shop.people[Role.TECHNICIAN.value]
    for unit in along[:: max(1, len(along) // LOADED_BEFORE)][:LOADED_BEFORE]:
        nights_packing.load(night=night, instrument=unit, acting_user=technician, now=began)


def _plan(story: Story, school: School, on: datetime.date) -> Night:
    people = story.shop.people
    lead, manager = people[Role.SPECIALIST.value], people[Role.MANAGER.value]
    facts = nights.NightFacts(
        on=on,
        begins_at=datetime.time(17, 30),
        ends_at=datetime.time(20, 0),
        room="Gym",
        expected_families=18,
        location=story.shop.locations[0],
        programmes=list(nights.list_programmes_for(school).filter(school=school)),
        staff=[lead, User.objects.get(email=SECOND)] if on < story.today else [lead, manager],
        lead=lead,
        notes="The side door by the parking lot is nearest. Two long tables are there; bring the extension cord.",
    )
    key = UUID(int=story.chance.getrandbits(128))
    return nights.plan_night(school=school, facts=facts, request_key=key, acting_user=manager, now=story.now)
