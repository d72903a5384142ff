"""Tax to the cent, in Python and in PostgreSQL alike.

Table: Streamlined Sales and Use Tax Agreement, section 324 (carry to the third decimal, round up when it is greater than 4),
with two tax services' published examples; tests/data/sales_tax_rounding.csv names the source of every row.
"""

import csv
from decimal import Decimal
from pathlib import Path

import pytest
from django.db import connection

from rentals.runtime.money import cents, tax_on

TABLE = Path(__file__).parent.parent / "data" / "sales_tax_rounding.csv"
ROWS = list(csv.DictReader(line for line in TABLE.read_text().splitlines() if not line.startswith("#")))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['taxable']}-{row['rate']}")
def test_python_rounds_as_published(row):
    assert tax_on(Decimal(row["taxable"]), Decimal(row["rate"])) == Decimal(row["ssuta_324"])


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['taxable']}-{row['rate']}")
def test_postgresql_rounds_as_published(db, row):
    with connection.cursor() as cursor:
        cursor.execute("SELECT round(%s::numeric * %s::numeric, 2)", [row["taxable"], row["rate"]])
        assert cursor.fetchone()[0] == Decimal(row["ssuta_324"])


def test_the_table_tells_half_up_from_half_even():
    assert any(row["half_up"] != row["half_even"] for row in ROWS)


@pytest.mark.parametrize("text", ["2.675", "0.125", "2.665", "1.005", "-2.675", "2.5"])
def test_both_round_half_away_from_zero(db, text):
    with connection.cursor() as cursor:
        cursor.execute("SELECT round(%s::numeric, 2)", [text])
        assert cursor.fetchone()[0] == cents(Decimal(text))
