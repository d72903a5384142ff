"""What the schools of the demo told the office: breaks, beginners, consents, what directors ask for, and talks."""

import datetime
import uuid

from rentals.counter.demo.history import Story
from rentals.inventory.models import CatalogueItem, InstrumentKind
from rentals.staff.models import Role, User
from schools import calendar, contacts, directors, wishes
from schools.models import Contact, Director, District, Programme, RequiredItem

SIZES = {4: "1/2", 5: "3/4", 6: "4/4"}
"""What a director usually wants by school year; made up."""


def tell(story: Story) -> None:
    """Write down what the schools told."""
    user = story.shop.people[Role.MANAGER.value]
    first = story.today + datetime.timedelta(days=23)
    winter = calendar.ListedDays(first, first + datetime.timedelta(days=11), "Winter break")
    for district in District.objects.order_by("pk")[:2]:
        calendar.add_days(kind="closed", days=[winter], acting_user=user, district=district)
    for place, programme in enumerate(Programme.objects.order_by("pk")[:6]):
        Programme.objects.filter(pk=programme.pk).update(expected_beginners=18 + 7 * place)
        shirt = {"words": "Concert shirt", "sold_by": RequiredItem.SoldBy.SCHOOL, "note": "Sizes are tried on at school"}
        for item in programme.required_items.order_by("kind_id", "pk").distinct("kind_id"):
            RequiredItem.objects.create(programme=programme, kind_id=item.kind_id, **shirt)
    for director in Director.objects.order_by("pk")[:2]:
        on = story.today - datetime.timedelta(days=30)
        directors.record_consent(
            director_id=director.pk, agreed_by="The principal's office", agreed_on=on, acting_user=user, now=story.now
        )
    _ask(user)
    _talk(story, user)


def _ask(user: User) -> None:
    """Let one director ask for sizes, models and violins."""
    violin = InstrumentKind.objects.get(pk="violin")
    programme = (
        Programme.objects.filter(kind=Programme.Kind.ORCHESTRA).order_by("pk").first() or Programme.objects.order_by("pk")[0]
    )
    wishes.expect(programme=programme, kind=violin, count=12, acting_user=user)
    for grade, size in SIZES.items():
        wishes.set_usual_size(programme=programme, kind=violin, grade=grade, size=size, acting_user=user)
    for item in CatalogueItem.objects.filter(kind=violin, is_active=True).order_by("pk")[:2]:
        wishes.approve(programme=programme, item=item, acting_user=user)


def _talk(story: Story, user: User) -> None:
    """Write two talks down: one left something to do by tomorrow, one is late."""
    tellings = [(3, 1, "When the gym is open for the sign-up night", "Send the list of what the night needs")]
    tellings += [(12, -2, "How many violins the beginners need", "Ask again for the numbers by instrument")]
    for (ago, ahead, about, step), director in zip(tellings, Director.objects.order_by("pk")[:2], strict=False):
        school = director.programmes.order_by("pk")[0].school
        facts = contacts.ContactFacts(
            with_whom=director.name,
            how=Contact.How.PHONE,
            on=story.today - datetime.timedelta(days=ago),
            about=about,
            next_step=step,
            next_on=story.today + datetime.timedelta(days=ahead),
        )
        key = uuid.uuid5(uuid.NAMESPACE_URL, f"talk/{director.pk}")
        contacts.write_contact_down(school=school, facts=facts, request_key=key, acting_user=user, now=story.now)
