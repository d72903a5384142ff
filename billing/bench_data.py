"""Agreements in bulk for the benches of billing: made in SQL, with invented names, behind the back of the audit trail."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from decimal import Decimal
from typing import Any

from django.db import connection, transaction

from rentals.agreements.models import Plan, PlanVersion, TaxArea, TaxRate
from rentals.inventory.models import CatalogueItem, InstrumentKind
from rentals.runtime import clock
from rentals.runtime.money import money
from rentals.staff.models import Role, User

AREAS = 12
FILLED = ["families_household", "families_guardian", "families_student", "agreements_agreement", "agreements_periodterms"]
KEPT = {"billing_account", "billing_billingrun", "billing_billingchunk"}
BOOKS = ["billing_chargeline", "billing_charge", "billing_posting", "billing_journalentry", "billing_openitem"]

# One household for every agreement; rents, protection, tax areas and days of the month differ from row to row.
FAMILIES = [
    """
INSERT INTO families_household (id, number, name, street, unit, city, state, postal_code, language, notes, made_at, version)
SELECT n, 'H-' || lpad(n::text, 6, '0'), 'Family ' || n, n || ' Mill Road', '', 'Springdale', 'IL', '62704', 'en', '', now(), 1
  FROM generate_series(%(first)s, %(last)s) n
""",
    """
INSERT INTO families_guardian (id, household_id, given_name, family_name, phone, email, is_primary,
                                news_by, reminders, reminders_by)
SELECT n, n, 'Robin', 'Family ' || n, '', '', true, 'mail', 'same', '' FROM generate_series(%(first)s, %(last)s) n
""",
    """
INSERT INTO families_student (id, household_id, given_name, family_name, grade)
SELECT n, n, 'Kim', 'Family ' || n, 5 FROM generate_series(%(first)s, %(last)s) n
""",
    """
INSERT INTO agreements_agreement (id, number, household_id, guardian_id, student_id, item_id, plan_version_id, signed_at,
    starts_on, monthly_rent, monthly_rent_currency, monthly_protection, monthly_protection_currency, purchase_price,
    purchase_price_currency,
    replacement_value, replacement_value_currency, received_at, tax_area_id, signed_by_id, end_reason,
    follows_by)
SELECT n, 'A-' || lpad(n::text, 6, '0'), n, n, n, %(item)s, %(plan)s, now(), %(starts)s::date + (n %% 28)::int,
       15 + (n %% 4500 * 7919 %% 4500) / 100.0, %(currency)s, 3 + (n %% 600 * 109 %% 600) / 100.0, %(currency)s,
       1080, %(currency)s, 1080, %(currency)s, 'counter', 'bench-' || n %% %(areas)s, %(user)s, '', ''
  FROM generate_series(%(first)s, %(last)s) n
""",
    """
INSERT INTO agreements_periodterms (agreement_id, first_period, begins_on, anchor_on, "offset", months, rent, rent_currency,
                                    protection, protection_currency, reason, made_at, made_by_id)
SELECT id, 0, starts_on, starts_on, 0, 1, monthly_rent, monthly_rent_currency, monthly_protection,
       monthly_protection_currency, 'signed', signed_at, signed_by_id
  FROM agreements_agreement WHERE id BETWEEN %(first)s AND %(last)s ORDER BY id
""",
]


def prepare() -> dict[str, Any]:
    """Make what every agreement stands on, and return the keys that `fill` needs."""
    for place in range(AREAS):
        area = TaxArea.objects.create(code=f"bench-{place}", name=f"County {place}")
        rate = Decimal(62_500 + place * 3_170) / 1_000_000
        TaxRate.objects.create(area=area, applies_to=TaxRate.AppliesTo.RENT, rate=rate, effective_from="2020-01-01")
    kind, _ = InstrumentKind.objects.get_or_create(code="flute", defaults={"name": "Flute", "family": "woodwind"})
    item = CatalogueItem.objects.create(
        kind=kind, maker="Sample Works", model="F1", purchase_price=money(1080), replacement_value=money(1080)
    )
    plan = Plan.objects.create(code="bench", name="Standard")
    version = PlanVersion.objects.create(plan=plan, number=1, title="Standard", terms="Terms.", published_at=clock.now())
    user = User.objects.create_user(email="filler@rentals.example", name="Filler", role=Role.BOOKKEEPER)
    return {
        "item": item.pk, "plan": version.pk, "areas": AREAS, "user": user.pk, "currency": str(item.purchase_price.currency),
    }  # fmt: skip


def fill(keys: dict[str, Any], *, first: int, last: int, starts: str) -> None:
    """Make the agreements with ids from `first` to `last`, begun on 28 different days from `starts` on."""
    with behind_the_triggers(FILLED), connection.cursor() as cursor:
        for statement in FAMILIES:
            cursor.execute(statement, keys | {"first": first, "last": last, "starts": starts})
    settle(FILLED)


def empty_books() -> None:
    """Take every charge and entry away, as only a scratch database allows."""
    tables = [each for each in connection.introspection.table_names() if each.startswith("billing_") and each not in KEPT]
    with behind_the_triggers(tables), connection.cursor() as cursor:
        cursor.execute(f"TRUNCATE {', '.join(tables)}")


@contextmanager
def behind_the_triggers(tables: list[str]) -> Iterator[None]:
    """Switch the tables' own triggers off and on again, in one transaction; foreign keys stay."""
    with transaction.atomic(), connection.cursor() as cursor:
        for table in tables:
            cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
        yield
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        for table in tables:
            cursor.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")


def settle(tables: Sequence[str] = BOOKS) -> None:
    """Leave nothing half done behind: rows counted, pages clean, the log written out."""
    with connection.cursor() as cursor:
        cursor.execute(f"VACUUM ANALYZE {', '.join(tables)}")
        cursor.execute("CHECKPOINT")
