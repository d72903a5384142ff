"""Doors from outside in the demo: the form of the next sign-up night is open, two families have filled it in at home, and the
director there signs in to the own roster.
"""

import uuid
from typing import Any

from rentals.counter.demo.history import Story
from rentals.counter.demo.shop import PASSWORD
from rentals.portal import operations, rules
from rentals.portal.directors.operations import invite_director
from rentals.portal.models import NightDoor
from rentals.staff import people
from rentals.staff.models import Role
from schools import directors
from schools.models import Director, Night

FAMILIES: list[dict[str, Any]] = [
    {
        "language": "es",
        "who": {"given_name": "Ximena", "family_name": "Barranco"},
        "reach": {"phone": "+16125550171", "email": ""},
        "street": {"street": "48 Larch St", "unit": "Apt 2"},
        "student": {"given_name": "Iker", "family_name": "Barranco", "grade": 5},
        "protection": {"protection": "yes"},
    },
    {
        "language": "en",
        "who": {"given_name": "Odell", "family_name": "Prewitt"},
        "reach": {"phone": "", "email": "odell.prewitt@mail.example"},
        "street": {"street": "7 Tannery Ln", "unit": ""},
        "student": {"given_name": "Maren", "family_name": "Prewitt", "grade": 6},
        "protection": {"protection": "ask"},
    },
]


def open_doors(story: Story) -> NightDoor:
    """Open the form of the next night; let two families send theirs."""
    specialist = story.shop.people[Role.SPECIALIST.value]
    night = Night.objects.filter(state=Night.State.PLANNED, on__gte=story.today).earliest("on", "pk")
    door = operations.open_door(night=night, acting_user=specialist, today=story.today)
    programme = night.programmes.order_by("kind")[0]
    town = {"city": night.school.city, "state": night.school.state, "postal_code": night.school.postal_code}
    for family in FAMILIES:
        form = operations.begin_form(door=door, browser=uuid.uuid4(), language=family["language"], now=story.now)
        pages = {**family, "town": town, "student": {**family["student"], "programme": programme}, "instrument": {"kind": None}}
        for page in rules.PAGES:
            if page in pages:
                form = operations.save_page(form=form, page=page, answers=pages[page], now=story.now)
        operations.finish_form(form=form, pages=rules.pages_of(has_sizes=False, programmes=1), now=story.now)
    _let_director_in(story, night)
    return door


def _let_director_in(story: Story, night: Night) -> None:
    """Write the school's consent down, invite the director of its programme, who chooses the demo's password."""
    manager = story.shop.people[Role.MANAGER.value]
    director = Director.objects.filter(programmes__school=night.school).order_by("pk")[0]
    if directors.consent_in_force(director.pk) is None:
        directors.record_consent(
            director_id=director.pk,
            agreed_by="The principal",
            agreed_on=story.today,
            acting_user=manager,
            now=story.now,
        )
    person, token = invite_director(director=director, acting_user=manager, now=story.now)
    people.choose_password(person_id=person.pk, token=token, password=PASSWORD)
