"""What the schools of the demo told the office: breaks, beginners, one consent, and a list with a choice in it."""

import datetime

from rentals.counter.demo.history import Story
from rentals.staff.models import Role
from schools import calendar, directors
from schools.models import Director, District, Programme, RequiredItem


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
