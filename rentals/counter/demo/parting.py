"""The demo's instruments that left the fleet outside an agreement, and two that are put aside."""

import datetime
import uuid
from typing import Any

from billing.fleet.operations.sales import tax_of
from rentals.counter.demo.history import Story
from rentals.counter.fleet import operations
from rentals.inventory import operations as inventory
from rentals.inventory.models import Custody
from rentals.inventory.operations import batches
from rentals.runtime.money import cents
from rentals.staff.models import Role

SOLD_DAYS_AGO = 3


def let_part(story: Story) -> None:
    """Sell one worn instrument, retire one, miss one, hold two, and take two to a school in one round of scans."""
    _sell(story)
    _pack_for_a_school(story)
    manager, technician = (story.shop.people[role.value] for role in (Role.MANAGER, Role.TECHNICIAN))
    today: dict[str, Any] = {"now": story.now, "today": story.today}
    reason = "Beyond repair: cracked body"
    operations.retire_instrument(instrument=story.shelf.pop(), reason=reason, acting_user=manager, **today)
    operations.lose_instrument(
        instrument=story.shelf.pop(),
        reason="Not on its shelf at the last look round",
        write_off=False,
        acting_user=technician,
        **today,
    )
    for reason, days in (("For the band night at the end of the week", 5), ("Set aside for the step-up of A-000004", None)):
        inventory.hold_instrument(
            instrument=story.shelf.pop(),
            reason=reason,
            held_until=story.today + datetime.timedelta(days=days) if days else None,
            acting_user=manager,
            **today,
        )


def _sell(story: Story) -> None:
    day = story.today - datetime.timedelta(days=SOLD_DAYS_AGO)
    stood_then = Custody.objects.filter(place="shelf", ended_at=None, began_at__lt=story.at(day), instrument__in=story.shelf)
    unit = stood_then.select_related("instrument__item__kind").order_by("pk")[0].instrument
    story.shelf.remove(unit)
    price = cents(unit.item.purchase_price.amount * 2 / 5)
    total = price + tax_of(price, household_id=None, on=day)[1]
    asked = operations.ToSell(unit, price, total, None, "Lakeside Community Band", "cheque", "2204")
    operations.sell_instrument(
        asked=asked,
        request_key=uuid.uuid4(),
        acting_user=story.shop.people[Role.MANAGER.value],
        now=story.at(day),
        today=day,
    )


def _pack_for_a_school(story: Story) -> None:
    technician = story.shop.people[Role.TECHNICIAN.value]
    school = story.shop.programmes[1].school
    aim = batches.Aim("school", "Packed for the try-out evening", school=school)
    batch = batches.open_batch(aim=aim, request_key=uuid.uuid4(), acting_user=technician, now=story.now)
    for code in (story.shelf.pop().asset_tag, "T99999", story.shelf.pop().asset_tag):
        batches.scan_into(batch=batch, code=code, client_id=uuid.uuid4(), acting_user=technician, now=story.now)
