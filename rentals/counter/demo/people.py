"""Eight hundred instruments on the shelf and six hundred families in the books, drawn from a seed."""

import datetime
import random
from dataclasses import dataclass

from rentals.counter.demo import words
from rentals.counter.demo.shop import ORCHESTRA, Shop
from rentals.families.models import Guardian, Household, Student
from rentals.inventory.models import CatalogueItem, Custody, Instrument
from rentals.runtime.money import money
from rentals.staff.models import NumberSeries, Role
from schools.models import Programme


@dataclass
class Family:
    """A household with its students, and how it pays: "prompt", "late", or the month from which it stops."""

    household: Household
    guardian: Guardian
    students: list[Student]
    habit: str
    joined_on: datetime.date


def stock_shelves(
    shop: Shop, *, count: int, opened_on: datetime.date, at: datetime.datetime, chance: random.Random
) -> list[Instrument]:
    """Buy the fleet: `count` instruments by the catalogue's shares, each received on the shelf before the scenario begins."""
    technician = shop.people[Role.TECHNICIAN.value]
    instruments: list[Instrument] = []
    whole = sum(share for _, share in shop.items)
    for item, share in shop.items:
        for _ in range(max(2, round(count * share / whole))):
            instruments.append(_instrument(item, len(instruments) + 1, opened_on, chance))
    Instrument.objects.bulk_create(instruments)
    Custody.objects.bulk_create(
        Custody(
            instrument=instrument,
            place="shelf",
            location=shop.locations[0 if chance.random() < 0.8 else 1],
            began_at=at,
            reason="Received",
            moved_by=technician,
        )
        for instrument in instruments
    )
    return instruments


def _instrument(item: CatalogueItem, number: int, opened_on: datetime.date, chance: random.Random) -> Instrument:
    acquired_on = opened_on - datetime.timedelta(days=chance.randrange(10, 1400))
    grade = "new" if (opened_on - acquired_on).days < 200 else chance.choices(["good", "worn", "poor"], [70, 25, 5])[0]
    return Instrument(
        asset_tag=f"T{number:05d}",
        serial_number=f"{item.maker[:2].upper()}{chance.randrange(100000, 999999)}{number % 10}",
        item=item,
        grade=grade,
        cost=money(round(item.purchase_price.amount * 55 / 100, 2)),
        acquired_on=acquired_on,
    )


def enrol_families(
    shop: Shop, *, count: int, opened_on: datetime.date, today: datetime.date, chance: random.Random
) -> list[Family]:
    """Write `count` households into the books, each with a guardian or two and one or two students."""
    families = [_family(shop, number, opened_on, today, chance) for number in range(1, count + 1)]
    Household.objects.bulk_create(family.household for family in families)
    Guardian.objects.bulk_create(family.guardian for family in families)
    Guardian.objects.bulk_create(
        Guardian(household=f.household, given_name=chance.choice(words.GIVEN), family_name=f.guardian.family_name)
        for f in families
        if chance.random() < 0.3
    )
    Student.objects.bulk_create(student for family in families for student in family.students)
    NumberSeries.objects.create(name="household", last_number=count)
    return families


def _family(shop: Shop, number: int, opened_on: datetime.date, today: datetime.date, chance: random.Random) -> Family:
    name = chance.choice(words.FAMILY)
    town = chance.choices(words.TOWNS, [30, 25, 20, 10, 8, 7])[0]
    given = chance.choice(words.GIVEN)
    household = Household(
        number=f"H-{number:05d}",
        name=name,
        city=town[0],
        state=words.STATE,
        postal_code=town[1],
        street=f"{chance.randrange(2, 990)} {chance.choice(words.STREETS)} {chance.choice(words.STREET_KINDS)}",
        unit=f"Apt {chance.randrange(1, 40)}" if chance.random() < 0.2 else "",
        language="es" if chance.random() < 0.12 else "en",
    )
    area_codes = words.AREA_CODES if number <= 100 * len(words.AREA_CODES) else words.MORE_AREA_CODES
    phone = f"+1{area_codes[number // 100 % len(area_codes)]}55501{number % 100:02d}"
    email = f"{given}.{name}.{number}@example.com".lower() if chance.random() < 0.9 else ""
    guardian = Guardian(household=household, given_name=given, family_name=name, phone=phone, email=email, is_primary=True)
    students = []
    for _ in range(2 if chance.random() < 0.18 else 1):
        programme = chance.choice(shop.programmes)
        grade = min(12, _first_grade(programme) + chance.choices([0, 1, 2, 3], [60, 20, 12, 8])[0])
        students.append(
            Student(
                household=household, given_name=chance.choice(words.GIVEN), family_name=name, grade=grade, programme=programme
            )
        )
    habit = chance.choices(["prompt", "late", "stops"], [84, 11, 5])[0]
    return Family(household, guardian, students, habit, _joining_day(opened_on, today, chance))


def _first_grade(programme: Programme) -> int:
    return 9 if "High" in programme.school.name else 6 if "Middle" in programme.school.name else programme.starting_grade


def _joining_day(opened_on: datetime.date, today: datetime.date, chance: random.Random) -> datetime.date:
    """Families come when school begins, some after the winter holidays, a few at any time."""
    days = (today - opened_on).days
    candidates = [opened_on + datetime.timedelta(days=chance.randrange(days - 3)) for _ in range(4)]
    weights = [{8: 10, 9: 14, 10: 5, 1: 4}.get(day.month, 1) for day in candidates]
    return chance.choices(candidates, weights)[0]


def plays_in(programme: Programme | None, item: CatalogueItem) -> bool:
    """Whether an item is of a kind that the programme teaches."""
    is_string = item.kind_id in ORCHESTRA
    return programme is None or is_string == (programme.kind == "orchestra")
