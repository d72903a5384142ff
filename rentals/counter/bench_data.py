"""Invented families, instruments and accounts in bulk, for benches: random syllables, no real names."""

import random
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import uuid4

from django.db import connection, transaction
from django.urls import reverse

from billing import runs
from billing.models import BillingRun
from rentals.agreements.models import Plan, PlanVersion, TaxArea
from rentals.families.models import Household
from rentals.inventory.models import CatalogueItem, InstrumentKind, Location
from rentals.runtime import clock
from rentals.runtime.benches import Run
from rentals.runtime.money import money
from rentals.staff.models import Role, User
from schools.models import Programme, School

STARTS = "b br c ch d dr f fl g gr h j k kl l m n p pr qu r s sh sl st t tr v w z".split()  # noqa: SIM905 - thirty quoted letters read worse
MIDDLES = ["a", "e", "i", "o", "u", "ai", "ea", "ei", "ie", "oa", "oo", "ou"]
ENDS = ["n", "r", "l", "s", "m", "t", "nd", "rt", "ll", "ck", "ng", "v", "x"]
LETTERS = "abcdefghijklmnopqrstuvwxyz"
STREETS = ("Orchard Lane", "Mill Road", "Oak Street", "Canal Drive")


@dataclass(frozen=True)
class Person:
    """Somebody to look for."""

    household: int
    given: str
    family: str
    phone: str


def invent_words(chance: random.Random, count: int, syllables: tuple[int, int]) -> list[str]:
    """Invent different words."""
    words: dict[str, None] = {}
    while len(words) < count:
        parts = range(chance.randint(*syllables))
        word = "".join(chance.choice(STARTS) + chance.choice(MIDDLES) for _ in parts) + chance.choice(ENDS)
        words[word.capitalize()] = None
    return list(words)


def fill_families(run: Run, *, people: int, names: int) -> list[Person]:
    """Make households of five people to two, some names common and most rare, and return everybody who can be looked for."""
    chance = run.chance
    given, family = invent_words(chance, 1000, (1, 2)), invent_words(chance, names, (2, 3))
    households = max(1, people * 2 // 5)
    run.tell(f"{people} people in {households} households")
    given_of = _often(chance, given, people + 10)
    family_of = _often(chance, family, households)
    made = [_household(place, family_of[place]) for place in range(households)]
    _copy("families_household", _HOUSEHOLD, made)
    guardians: list[tuple[Any, ...]] = []
    students: list[tuple[Any, ...]] = []
    for place in range(people):
        home = place % households
        name, phone = (given_of[place], family_of[home]), f"+1{2120000000 + (place * 7919) % 700000000}"
        if place < households or place % 5 == 0:
            primary = place < households
            email = f"{name[0]}{place}@example.com".lower()
            guardians.append((len(guardians) + 1, home + 1, *name, phone, email, primary, "mail", "same", ""))
        else:
            students.append((len(students) + 1, home + 1, *name, 5, None))
    columns = "id household_id given_name family_name phone email is_primary news_by reminders reminders_by"
    _copy("families_guardian", columns, guardians)
    _copy("families_student", "id household_id given_name family_name grade programme_id", students)
    _finish("families_household", "families_guardian", "families_student")
    return [Person(int(row[1]), str(row[2]), str(row[3]), str(row[4])) for row in guardians]


_HOUSEHOLD = "id number name street unit city state postal_code language notes made_at version"


def _household(place: int, name: str) -> tuple[Any, ...]:
    street, now = f"{place % 900 + 1} {STREETS[place % 4]}", clock.now()
    return (place + 1, f"H-{place + 1:05d}", name, street, "", "Springdale", "IL", "62704", "en", "", now, 1)


def serial_number(place: int) -> str:
    """Return the serial number of the instrument at a place: different, and in no order."""
    return f"{(place * 7_368_787) % 10_000_019:08d}"


def fill_instruments(run: Run, count: int) -> None:
    """Make instruments of one model on one shelf."""
    run.tell(f"{count} instruments")
    kind, _ = InstrumentKind.objects.get_or_create(code="flute", defaults={"name": "Flute", "family": "woodwind"})
    item = CatalogueItem.objects.create(
        kind=kind, maker="Sample Works", model="F1", purchase_price=money(1080), replacement_value=money(1080)
    )
    shelf = Location.objects.create(
        code="bench", name="Shelf", street="1 Main", city="Springdale", state="IL", postal_code="62704"
    )
    person = User.objects.create_user(email="filler@rentals.example", name="Filler", role=Role.ADMINISTRATOR)
    today, now = clock.today(), clock.now()
    columns = "id asset_tag serial_number item_id grade cost cost_currency acquired_on notes version"
    rows = ((p + 1, f"F-{p:06d}", serial_number(p), item.pk, "good", 400, "USD", today, "", 1) for p in range(count))
    _copy("inventory_instrument", columns, rows)
    places = ((p + 1, p + 1, "shelf", shelf.pk, now, "Received", person.pk) for p in range(count))
    _copy("inventory_custody", "id instrument_id place location_id began_at reason moved_by_id", places)
    _finish("inventory_instrument", "inventory_custody")


TOGETHER = 1000
"""Households whose agreements are signed in one transaction."""
AGREEMENTS = """
INSERT INTO agreements_agreement (number, household_id, guardian_id, student_id, item_id, plan_version_id, signed_at, starts_on,
    monthly_rent, monthly_rent_currency, monthly_protection, monthly_protection_currency, purchase_price, purchase_price_currency,
    replacement_value, replacement_value_currency, received_at, tax_area_id, signed_by_id, end_reason, follows_by)
SELECT 'A-' || lpad(h.id::text, 6, '0'), h.id, g.id, s.id, %(item)s, %(plan)s, now(), %(starts)s, 24.50, 'USD', 5, 'USD', 1080,
    'USD', 1080, 'USD', 'counter', %(area)s, %(user)s, '', ''
FROM families_household AS h
JOIN LATERAL (SELECT id FROM families_guardian WHERE household_id = h.id LIMIT 1) AS g ON true
JOIN LATERAL (SELECT id FROM families_student WHERE household_id = h.id LIMIT 1) AS s ON true
WHERE h.id > %(first)s AND h.id <= %(last)s ORDER BY h.id
"""
TERMS = """
INSERT INTO agreements_periodterms (agreement_id, first_period, begins_on, anchor_on, "offset", months, rent, rent_currency,
    protection, protection_currency, reason, made_at, made_by_id)
SELECT id, 0, starts_on, starts_on, 0, 1, monthly_rent, monthly_rent_currency, monthly_protection, monthly_protection_currency,
    'signed', signed_at, signed_by_id
  FROM agreements_agreement a WHERE NOT EXISTS (SELECT FROM agreements_periodterms t WHERE t.agreement_id = a.id)
"""
UNITS = """
INSERT INTO agreements_agreementunit (agreement_id, instrument_id, role, began_at)
SELECT a.id, a.id, 'rented', now() FROM agreements_agreement AS a JOIN inventory_instrument AS i ON i.id = a.id
"""
WORK = """
INSERT INTO inventory_workorder (number, instrument_id, kind, problem_kind, problem, state, state_since, outcome, paid_by,
    opened_at, opened_by_id, work_done, version)
SELECT 'W-' || lpad(id::text, 6, '0'), id, 'repair', '', 'Sticky key', 'look', now(), '', 'undecided', now(), %(user)s, '', 1
  FROM inventory_instrument WHERE id %% 500 = 0
"""


def fill_accounts(run: Run) -> None:
    """Sign an agreement for every household that has a student, and bill it for half a year by the office's own run."""
    run.tell("agreements")
    user = User.objects.get(email="filler@rentals.example")
    area = TaxArea.objects.create(code="bench", name="Springdale")
    plan = Plan.objects.create(code="bench", name="Standard")
    version = PlanVersion.objects.create(
        plan=plan,
        number=1,
        title="Standard",
        terms="Terms.",
        credit_share=Decimal(1),
        step_up_share=Decimal(1),
        published_at=clock.now(),
    )
    school = School.objects.create(name="Maplewood", street="1", city="Springdale", state="IL", postal_code="62704")
    Programme.objects.create(school=school, kind="band")
    today = clock.today()
    starts = today.replace(year=today.year - (today.month <= 6), month=(today.month - 7) % 12 + 1, day=1)
    told: dict[str, Any] = {
        "item": CatalogueItem.objects.get(maker="Sample Works").pk,
        "plan": version.pk,
        "area": area.pk,
        "user": user.pk,
    }
    last = Household.objects.order_by("-pk").values_list("pk", flat=True)[0]
    for first in range(0, last, TOGETHER):
        # An agreement may wait for its terms only until the end of the transaction, so all its checks wait: few at a time.
        with filling(check_at_once=False) as cursor:
            cursor.execute(AGREEMENTS, told | {"starts": starts, "first": first, "last": first + TOGETHER})
            cursor.execute(TERMS)
    with filling() as cursor:
        cursor.execute("ANALYZE")
        cursor.execute(UNITS)
        cursor.execute(WORK, told)
    run.tell("half a year of charges")
    due = BillingRun.objects.create(through_on=today, asked_at=clock.now(), asked_by=user)
    runs.continue_run(due.pk, now=clock.now())
    _finish()


def addresses(count: int) -> dict[str, list[str]]:
    """List addresses of every sort of screen, spread over the records."""
    spread = [place * count // 25 + 1 for place in range(25)]
    return {
        "households": [f"{reverse('households')}?page={page}" for page in range(1, 11)],
        "household": [reverse("household", args=[pk]) for pk in spread],
        "household_history": [reverse("household_history", args=[pk]) for pk in spread],
        "instruments": [f"{reverse('instruments')}?page={page}" for page in range(1, 11)],
        "instrument": [reverse("instrument", args=[pk]) for pk in spread],
        "bench_queue": [reverse("bench_queue")],
        "outbox": [reverse("outbox")],
        "schools": [reverse("schools")],
    }


def misspell(person: Person, chance: random.Random) -> str:
    """Write a person's name with one slip: a letter swapped, left out, put in or wrong, in one of its words."""
    words = [person.given.lower(), person.family.lower()]
    which = chance.randrange(2)
    word = words[which]
    place = chance.randrange(len(word) - 1)
    head, tail = word[:place], word[place:]
    words[which] = chance.choice(
        [
            head + tail[1] + tail[0] + tail[2:],
            head + tail[1:],
            head + chance.choice(LETTERS) + tail,
            head + chance.choice(LETTERS) + tail[1:],
        ]
    )
    return " ".join(words)


def _often(chance: random.Random, words: list[str], count: int) -> list[str]:
    return chance.choices(words, weights=[1 / (place + 10) for place in range(len(words))], k=count)


@contextmanager
def filling(*, check_at_once: bool = True) -> Iterator[Any]:
    """Open a transaction for writing in bulk, in a named context as the audit trail knows it, and give its cursor.

    Without a context every audited row raises and catches an error, and catching one looks through all deferred checks: forty
    thousand rows that wait for a check then cost minutes.
    """
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(IN_CONTEXT, [str(uuid4())])
        if check_at_once:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        yield cursor


IN_CONTEXT = """
SELECT set_config('pghistory.context_id', %s, true), set_config('pghistory.context_metadata', '{"operation": "bench"}', true)
"""


def _copy(table: str, columns: str, rows: Iterable[tuple[Any, ...]]) -> None:
    with filling() as cursor, cursor.copy(f"COPY {table} ({', '.join(columns.split())}) FROM STDIN") as copy:
        for row in rows:
            copy.write_row(row)


def _finish(*tables: str) -> None:
    """Move the tables' numbers on behind the rows that were copied, and let the planner count them."""
    with connection.cursor() as cursor:
        for table in tables:
            cursor.execute(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), (SELECT max(id) FROM {table}))")  # noqa: S608
        cursor.execute("VACUUM ANALYZE")
