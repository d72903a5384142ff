"""What the monthly run is measured against: the same rows, ready made, inserted into the same tables without any thought."""

import re
from typing import Any

from django.db import connection, models, transaction

from billing import bench_data
from billing.models import Charge, ChargeLine, JournalEntry, Posting

TABLES = ["billing_journalentry", "billing_posting", "billing_charge", "billing_chargeline", "billing_openitem"]
"""In the order in which they refer to each other."""

MANY: dict[type[models.Model], int] = {JournalEntry: 1, Posting: 4, Charge: 1, ChargeLine: 3}
"""Rows of an agreement's bill, in the order in which they can be saved."""

KEYS = """
SELECT conrelid::regclass::text, quote_ident(conname), pg_get_constraintdef(oid) FROM pg_constraint
 WHERE contype = 'f' AND conrelid = ANY(%s::regclass[])
"""


def keep_rows() -> None:
    """Put what a run has just written aside, as the ready rows of the floor."""
    with connection.cursor() as cursor:
        cursor.execute("CREATE SCHEMA IF NOT EXISTS ready")
        for table in TABLES:
            cursor.execute(f"CREATE TABLE ready.{table} AS SELECT * FROM {table} ORDER BY 1")  # noqa: S608


def empty_tables(*, with_keys: bool) -> None:
    """Make empty tables with the same columns and indexes; on request with the same foreign keys and checks as well."""
    with connection.cursor() as cursor:
        cursor.execute("DROP SCHEMA IF EXISTS floor CASCADE")
        cursor.execute("CREATE SCHEMA floor")
        for table in TABLES:
            checks = "INCLUDING CONSTRAINTS" if with_keys else ""
            cursor.execute(f"CREATE TABLE floor.{table} (LIKE {table} INCLUDING DEFAULTS INCLUDING INDEXES {checks})")
        cursor.execute(KEYS, [TABLES])
        for table, name, definition in cursor.fetchall() if with_keys else []:
            inside = re.sub(rf"REFERENCES ({'|'.join(TABLES)})\(", r"REFERENCES floor.\1(", definition)
            cursor.execute(f"ALTER TABLE floor.{table} ADD CONSTRAINT {name} {inside}")
    bench_data.settle()


def insert_rows() -> None:
    """Copy the ready rows, one statement a table, in one transaction."""
    with transaction.atomic(), connection.cursor() as cursor:
        for table in TABLES:
            cursor.execute(f"INSERT INTO floor.{table} SELECT * FROM ready.{table}")  # noqa: S608


def clear_floor() -> None:
    """Drop the floor's tables: their keys would keep the real ones from being emptied."""
    with connection.cursor() as cursor:
        cursor.execute("DROP SCHEMA IF EXISTS floor CASCADE")


class ByObjects:
    """The same rows as objects, saved by `bulk_create`, in chunks as the run has them; so many agreements of them."""

    def __init__(self, size: int) -> None:
        with connection.cursor() as cursor:
            self.rows: dict[type[models.Model], list[tuple[Any, ...]]] = {}
            for model, each in MANY.items():
                names = ", ".join(str(field.column) for field in model._meta.concrete_fields)
                order = "charge_id, position" if model is ChargeLine else "id"
                rows = f"SELECT {names} FROM ready.{model._meta.db_table} ORDER BY {order} LIMIT %s"  # noqa: S608
                cursor.execute(rows, [size * each])
                self.rows[model] = cursor.fetchall()

    def save(self, chunk: int) -> None:
        """Save them all, a chunk of agreements in one transaction."""
        for first in range(0, len(self.rows[Charge]), chunk):
            with transaction.atomic():
                for model, each in MANY.items():
                    model._default_manager.bulk_create(self._made(model, first * each, (first + chunk) * each))

    def _made(self, model: type[models.Model], first: int, last: int) -> list[models.Model]:
        names = [field.attname for field in model._meta.concrete_fields]
        return [model(**dict(zip(names, row, strict=True))) for row in self.rows[model][first:last]]
