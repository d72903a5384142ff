"""What the tests of autopay read from the data folder, and a file written with made-up debits."""

import csv
import datetime
from pathlib import Path

from billing.autopay import writer
from billing.autopay.writer import Batch, Debit, Origin

FOLDER = Path(__file__).parents[2] / "data" / "ach"
NOON = datetime.datetime(2026, 11, 23, 12, 30)
MONDAY = datetime.date(2026, 11, 30)
ROUTING = ("056005075", "051402259", "114000653")
ORIGIN = Origin("056005075", "EXAMPLE BANK ONE", "1990000001", "EXAMPLE RENTAL OFFICE", "EXAMPLE RENTAL", "1990000001")


def table(name):
    """The rows of a table as dictionaries."""
    with (FOLDER / name).open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def debit(number, *, cents=2706, code="27", payment_type="", name="RECEIVER ONE"):
    """A made-up debit."""
    account = str(1_000_000_000 + number)
    return Debit(code, ROUTING[number % 3], account, cents, f"H-{number:05}", name, payment_type, number)


def written(*batches, origin=ORIGIN):
    """A whole file as text."""
    return "".join(writer.compose(origin=origin, made_at=NOON, modifier="A", batches=batches))


def batch(entry_class="PPD", description="RENTAL"):
    """A batch's head."""
    return Batch(entry_class, description, MONDAY)
