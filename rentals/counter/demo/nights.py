"""Sign-up nights of the demo: one to come, at the school with the most students."""

import datetime
from uuid import UUID

from django.db.models import Count

from rentals.counter.demo.history import Story
from rentals.counter.nights.planning.history import count_history
from rentals.staff.models import Role
from schools import nights, nights_allotment
from schools.models import Night, School


def plan_nights(story: Story) -> None:
    """Plan the night to come, five days from today."""
    school = School.objects.annotate(students=Count("programmes__students")).order_by("-students", "pk").first()
    if school is not None:
        night = _plan(story, school, story.today + datetime.timedelta(days=5), UUID(int=story.chance.getrandbits(128)))
        nights_allotment.propose_allotment(
            night=night,
            history=count_history(night, story.today),
            settings=nights_allotment.Settings(families=night.expected_families),
            version=0,
            acting_user=story.shop.people[Role.MANAGER.value],
            now=story.now,
        )


def _plan(story: Story, school: School, on: datetime.date, key: UUID) -> Night:
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
        staff=[lead, manager],
        lead=lead,
        notes="The side door by the parking lot is nearest. Two long tables are there; bring the extension cord.",
    )
    return nights.plan_night(school=school, facts=facts, request_key=key, acting_user=manager, now=story.now)
