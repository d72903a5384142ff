"""What the demo's bench has before it: a cleaning day planned for the school with the most to do, and errands for the van."""

import datetime
from collections import Counter

from rentals.agreements.models import AgreementUnit
from rentals.counter.cleaning_days import operations, workload
from rentals.counter.demo.history import Story
from rentals.inventory.models import WorkOrder
from rentals.staff.models import Role
from schools import errands
from schools.models import School

WRONG = {
    "woodwind": "The low notes do not speak",
    "brass": "It sticks, and it smells musty",
    "string": "A peg slips, and the bow has lost its hair",
}
AHEAD = datetime.timedelta(days=45)


def fill_the_weeks(story: Story) -> None:
    """Plan the cleaning day, then put instruments on the van's list."""
    technician = story.shop.people[Role.TECHNICIAN.value]
    due = Counter(unit.school_id for unit in workload.list_due(on=story.today + AHEAD) if unit.school_id)
    school = School.objects.get(pk=due.most_common(1)[0][0]) if due else School.objects.order_by("name").first()
    on = story.today + datetime.timedelta(days=3 if story.today.weekday() < 2 else 7 - story.today.weekday() + 1)
    if school is not None:
        operations.plan_day(
            school=school,
            on=on,
            due_until=on + AHEAD,
            location=story.shop.locations[0],
            acting_user=technician,
            now=story.now,
        )
    _ask_for_errands(story)


def _ask_for_errands(story: Story) -> None:
    """Three to fetch at schools, and what the bench has of students to bring back there."""
    rented = AgreementUnit.objects.filter(
        ended_at=None, role=AgreementUnit.Role.RENTED, agreement__student__programme__isnull=False, instrument__errands=None
    ).select_related("instrument__item__kind", "agreement__student__programme__school")
    at_home = rented.filter(instrument__custodies__ended_at=None, instrument__custodies__place="family").order_by("pk")[:3]
    in_shop = rented.filter(instrument__work_orders__in=WorkOrder.objects.filter(closed_at=None)).order_by("pk")[:2]
    wanted = [(unit, "pick_up", WRONG.get(unit.instrument.item.kind.family, "Ask what is wrong")) for unit in at_home]
    wanted += [(unit, "drop_off", "") for unit in in_shop]
    for unit, kind, what in wanted:
        programme = unit.agreement.student.programme
        if programme is not None:
            errands.ask_for(
                school=programme.school,
                kind=kind,
                instrument=unit.instrument,
                what=what,
                wanted_from=story.today,
                acting_user=story.shop.people[Role.TECHNICIAN.value],
                now=story.now,
            )
