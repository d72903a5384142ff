"""What the tablet makes of a real pack in a browser, against what the office takes in: same money, same text, word for word."""

import random
from typing import Any

import pytest
from django.utils import timezone

from billing.models import Charge
from rentals.agreements.models import NightSignUp
from rentals.counter.nights.intake import operations
from rentals.counter.nights.intake.envelope import read_envelope
from tests.counter.nights.tablets import Tablet, at, open_night
from tests.families.factories import HouseholdFactory, StudentFactory
from tests.inventory.factories import ProductFactory, kind
from tests.schools.factories import RequiredItemFactory

MAKE = """async ([pack, orders]) => {
  const { newDraft, takeFamily, takeStudent, derive, tickKit, makeEnvelope } = await import("/static/js/night/draft.js");
  const { sectionsOf, sha256Of } = await import("/static/js/night/text.js");
  const made = [];
  for (const order of orders) {
    const draft = newDraft({ pack });
    if (order.known) {
      const family = pack.families[0];
      takeFamily(draft, family);
      takeStudent(draft, family.students[0]);
    } else Object.assign(draft, { who: "new", family: { ...draft.family, ...order.family } });
    Object.assign(draft.student, order.student);
    Object.assign(draft, { kind: "clarinet", instrument: order.unit, item: order.item, is_new: false, later: !order.unit });
    draft.protection = order.protection;
    tickKit(draft, pack);
    if (!order.kit) draft.kit = {};
    draft.plan = pack.plans[0].version;
    Object.assign(draft.signature, { method: "typed", signer_name: order.signer, consent: true, signed_at: order.at });
    Object.assign(draft.payment, { method: "cash", given: "500" });
    const sections = sectionsOf(draft, derive(draft, pack, pack.units), pack);
    draft.signature.text_sha256 = await sha256Of(sections);
    made.push(makeEnvelope(draft, derive(draft, pack, pack.units), {
      pack, device: crypto.randomUUID(), sequence: 1, sections, now: new Date(order.at), offline: true,
    }));
  }
  return made;
}"""


def draw_order(chance: random.Random, n: int, pack: dict[str, Any], moment: str) -> dict[str, Any]:
    unit = pack["units"][n] if n < len(pack["units"]) and chance.random() < 0.8 else None
    known = n == 0
    family = {
        "given_name": chance.choice(["Alex", " Ana  María ", "Zoë"]),
        "family_name": f"Sample {n}",
        "phone": chance.choice(["312 555 0142", "(312) 555-0142", "1-312-555-0142", ""]),
        "email": f"alex{n}@example.com",
        "street": f"{n + 1} Orchard  Lane",
        "unit": chance.choice(["", "2 B"]),
        "city": "Springdale",
        "state": "il",
        "postal_code": "62704",
    }
    student = {} if known else {"given_name": "Sky", "family_name": f"Sample {n}", "grade": "5"}
    return {
        "known": known,
        "family": family,
        "student": student,
        "unit": unit and unit["id"],
        "item": unit["item"] if unit else pack["items"][0]["id"],
        "protection": chance.random() < 0.5,
        "kit": chance.random() < 0.6,
        "signer": f"Alex Sample {n}",
        "at": moment,
    }


@pytest.mark.parametrize("seed", [7])
def test_every_order_of_the_tablet_arrives_as_it_was_shown(page, live_server, seed):
    night = open_night(*(f"CL-{n}" for n in range(8)))
    programme = night.programmes.get()
    for quantity, price in ((1, "8.00"), (2, "3.75")):
        product = ProductFactory(price=price)
        RequiredItemFactory(programme=programme, kind=kind("clarinet"), product=product, quantity=quantity)
    StudentFactory(household=HouseholdFactory(name="Lindqvist"), programme=programme)
    tablet = Tablet(night)
    chance = random.Random(seed)
    moment = at(night.on, 18, 5).isoformat()
    orders = [draw_order(chance, n, tablet.pack, moment) for n in range(10)]
    page.goto(f"{live_server.url}/sign-in/")
    for sent in page.evaluate(MAKE, [tablet.pack, orders]):
        assert sent["shown"] == tablet.show({**sent, "guardian": as_kept(sent["guardian"])})
        row = operations.take_in(
            envelope=read_envelope(sent),
            night=night,
            acting_user=night.staff.get().user,
            now=max(timezone.now(), at(night.on, 18, 30)),
            today=night.on,
        )
        assert (row.state, row.why) == (NightSignUp.State.ARRIVED, ""), sent
        billed = sum(line.amount for charge in Charge.objects.filter(agreement=row.agreement) for line in charge.lines.all())
        assert f"{billed:.2f}" == sent["shown"]["due_today"] == sent["payment"]["amount"]


def as_kept(guardian: dict[str, Any]) -> dict[str, Any]:
    """A guardian with the telephone number as the office keeps it."""
    return {**guardian, "phone": "+13125550142"} if guardian.get("phone") else guardian
