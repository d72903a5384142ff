"""The demo's bench: its rates and parts, a year of finished repairs, and a dozen orders in every state."""

import datetime
from decimal import Decimal

from rentals.counter.bench import operations as bench
from rentals.counter.demo.history import Story
from rentals.inventory import operations as fleet
from rentals.inventory import playing_tests, queries
from rentals.inventory.models import BenchRate, Custody, Instrument, RepairPart, WorkOrder
from rentals.runtime.money import money
from rentals.staff.models import Role

# Invented, like everything here: what an hour costs and what a family pays for it.
RATES = ((0, "34.00", "60.00"), (240, "36.00", "64.00"))
PARTS = (
    ("pad-12", "Pad 12 mm", "0.70", "3.00", 40),
    ("pad-17", "Pad 17 mm", "0.85", "3.50", 36),
    ("needle-spring", "Needle spring", "0.30", "2.00", 60),
    ("tenon-cork", "Tenon cork", "0.45", "4.00", 25),
    ("water-key-cork", "Water key cork", "0.25", "2.00", 18),
    ("felt-set", "Felts and bumpers, set", "1.10", "5.00", 12),
    ("bridge-blank", "Bridge blank", "6.50", "14.00", 5),
    ("d-string", "D string", "4.20", "9.00", 0),
)
BY_FAMILY = {"woodwind": "pad-17", "brass": "felt-set", "string": "bridge-blank", "percussion": "needle-spring"}
FINISHED = 8


def set_up(story: Story) -> None:
    """Set rates and fill the drawers, as of the day the office opened."""
    manager = story.shop.people[Role.MANAGER.value]
    for days, cost, price in RATES:
        BenchRate.objects.create(
            from_on=story.opened_on + datetime.timedelta(days=days),
            cost_per_hour=money(cost),
            price_per_hour=money(price),
            set_at=story.now,
            set_by=manager,
        )
    for sku, name, cost, price, on_hand in PARTS:
        fleet.add_part(sku=sku, name=name, cost=Decimal(cost), price=Decimal(price), on_hand=on_hand, acting_user=manager)


def take_in(story: Story, instrument: Instrument, problem: str, *, days_ago: int, loaner_tag: str = "") -> WorkOrder:
    """Take an instrument in some days ago, with what was seen."""
    when = story.now - datetime.timedelta(days=days_ago, hours=days_ago % 5)
    services = list(queries.list_services(instrument.item.kind_id)[:4])
    parts = [
        (part.name, place != 1, part.must_come_back) for place, part in enumerate(queries.list_parts(instrument.item.kind_id))
    ]
    made = bench.take_in(
        instrument=instrument,
        problem=problem,
        problem_kind=services[days_ago % len(services)].name if services else "",
        location=story.shop.locations[1],
        loaner_tag=loaner_tag,
        promised_on=story.today + datetime.timedelta(days=4 - days_ago % 3),
        intake=fleet.Intake(findings=_seen(instrument, days_ago), parts=parts if days_ago % 2 else ()),
        acting_user=story.shop.people[Role.TECHNICIAN.value],
        now=when,
    )
    return made.order


def _seen(instrument: Instrument, turn: int) -> list[tuple[str, str]]:
    from rentals.inventory import reference

    findings = ("fine", "fine", "worn", "fine", "broken")
    checks = reference.list_condition_checks(instrument.item.kind_id)
    return [(check.what, findings[(place + turn) % len(findings)]) for place, check in enumerate(checks)]


class Bench:
    """One order brought on, an hour or so from act to act."""

    def __init__(self, story: Story, order: WorkOrder) -> None:
        self.order, self.now = order, order.opened_at
        self.technician = story.shop.people[Role.TECHNICIAN.value]

    def who(self) -> dict[str, object]:
        """Who acts, a while later than before."""
        self.now += datetime.timedelta(minutes=50)
        return {"acting_user": self.technician, "now": self.now}

    def pays(self, payer: str) -> None:
        """Say who pays, unless that is known."""
        self.order.refresh_from_db()
        if self.order.paid_by == WorkOrder.PaidBy.UNDECIDED:
            fleet.decide_payer(order=self.order, paid_by=payer, **self.who())  # type: ignore[arg-type]

    def goes(self, to: str, note: str = "") -> None:
        """Bring it to a state."""
        fleet.change_state(order=self.order, to=to, note=note, **self.who())  # type: ignore[arg-type]

    def works(self, minutes: int, *, with_part: bool = True) -> None:
        """Write down labour, and a part where the drawer has it."""
        what = self.order.problem_kind or "Repair"
        fleet.add_labour(order=self.order, what=what, minutes=minutes, **self.who())  # type: ignore[arg-type]
        part = RepairPart.objects.get(pk=BY_FAMILY[self.order.instrument.item.kind.family])
        if with_part and part.on_hand:
            fleet.use_part(order=self.order, part=part, quantity=1, **self.who())  # type: ignore[arg-type]

    def asks(self, price: str) -> None:
        """Make an estimate."""
        lines = [(self.order.problem_kind or "Repair", Decimal(price)), ("Parts", Decimal("9.00"))]
        fleet.make_estimate(order=self.order, covers=self.order.problem, lines=lines, **self.who())  # type: ignore[arg-type]

    def is_tested(self) -> None:
        """Pass the playing test."""
        self.goes("check")
        points = [(words, True) for words in playing_tests.list_points(self.order, self.order.instrument)]
        fleet.record_quality_check(order=self.order, points=points, note="", **self.who())  # type: ignore[arg-type]


def bring_on(story: Story, orders: list[WorkOrder]) -> None:
    """Bring the orders of families on, so that every state is there: the first is still to be looked at."""
    steps = ["family", "bench", "parts", "check", "ready"]
    for step, order in zip(steps, orders[1:], strict=False):
        at = Bench(story, order)
        if step == "family":
            fleet.decide_payer(order=order, paid_by="family", **at.who())  # type: ignore[arg-type]
            at.asks("48.00")
            continue
        at.pays("shop")
        at.goes("bench")
        at.works(25)
        if step == "parts":
            at.goes("parts", "The part is on its way")
        elif step == "check":
            at.goes("check")
        elif step == "ready":
            at.is_tested()


def repair_own_fleet(story: Story) -> None:
    """Repairs of the shop's own instruments: some finished over the year, four on the way."""
    for turn in range(FINISHED):
        unit = _settled(story, 200)
        if unit is None:
            continue
        order = take_in(story, unit, "Checked before it goes out again.", days_ago=20 + turn * 20)
        at = Bench(story, order)
        at.goes("bench")
        at.works(15 + 10 * turn, with_part=turn % 2 == 0)
        at.is_tested()
        facts = {"instrument": unit, "work_done": order.problem_kind or "Put right", "location": story.shop.locations[0]}
        bench.put_on_shelf(**facts, **at.who())  # type: ignore[arg-type]
        story.shelf.insert(0, unit)
    for days_ago, step in ((9, "parts"), (6, "bench"), (3, "look"), (2, "ready")):
        unit = _settled(story, 30)
        if unit is None:
            continue
        at = Bench(story, take_in(story, unit, "Came back worn from the season.", days_ago=days_ago))
        if step != "look":
            at.goes("bench")
            at.works(30, with_part=False)
        if step == "parts":
            at.goes("parts", "Pads ordered")
        elif step == "ready":
            at.is_tested()


def _settled(story: Story, days: int) -> Instrument | None:
    """Take an instrument off the shelf that has stood there for so many days."""
    since = story.now - datetime.timedelta(days=days)
    for place in range(len(story.shelf) - 1, -1, -1):
        unit = story.shelf[place]
        if Custody.objects.filter(instrument=unit, ended_at=None, place="shelf", began_at__lt=since).exists():
            return story.shelf.pop(place)
    return None
