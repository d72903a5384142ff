"""The benches of the books in their short form: they work here and say what they must; how fast is measured by hand."""

import json
import os
import subprocess
import sys

import pytest

from rentals.runtime.bootstrap import PROJECT
from tests import migrated

ALWAYS = {"name", "size", "seconds", "floor_seconds", "ratio", "peak_mb"}
OWN = {
    "billing": {"ratio_same_constraints", "orm_ratio", "seconds_by_size", "repeat_share", "two_workers_gain"},
    "ach": {"write_seconds", "check_seconds", "database_read_seconds", "open_seconds", "working_mb_by_size"},
    "books": {
        "balance_round_trips",
        "lines_round_trips",
        "debtors_round_trips",
        "aging_ratio",
        "trial_balance_month_end_share",
        "trial_balance_any_day_share",
    },
    "matching": {"easy", "hard"},
    "letters": {"pages_per_second", "two_workers", "largest_kb", "mb_after"},
}
EXACT = {
    "billing": {"doubled": 0, "missed": 0, "rounding_mismatches": 0},
    "ach": {"same_bytes": True, "cents_off": 0},
    "books": {"equal_to_the_cent": True},
    "matching": {"uneven": 0},
    "letters": {},
}


@pytest.mark.parametrize("name", OWN)
def test_ends_with_one_object_that_says_what_it_must(owner_cursor, name):
    command = [sys.executable, str(PROJECT / "manage.py"), "bench", name, "--size", "short", *migrated.template()]
    environment = {**os.environ, "OFFICE_NO_BOOTSTRAP": "1"}
    done = subprocess.run(command, cwd=PROJECT, env=environment, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    report = json.loads(done.stdout.splitlines()[-1])
    assert report["name"] == name
    assert set(report) >= ALWAYS | OWN[name]
    assert {key: report[key] for key in EXACT[name]} == EXACT[name]
    assert owner_cursor.execute("SELECT datname FROM pg_database WHERE datname LIKE 'bench%'").fetchall() == []
