"""The benches in their short form: they work here and say what they must; how fast is measured by hand."""

import json
import os
import subprocess
import sys

import pytest

from rentals.runtime.bootstrap import PROJECT
from tests import migrated

ALWAYS = {"name", "size", "seconds", "floor_seconds", "ratio", "peak_mb"}
OWN = {
    "search": {"prefix_ms", "phone_end_ms", "serial_end_ms", "typo_ms", "typo_hit_rate", "typo_ratio", "request_ms"},
    "fleet": {"scan_p95_ms", "count_seconds", "utilisation_seconds", "slowest_screen_ms", "most_queries", "screens"},
    "pages": {"of_bare_view", "most_queries", "p95_ms_of_two", "screens"},
    "night": {"night_seconds", "lost", "units_twice", "doubled", "books_clean", "outcomes", "per_second", "call_p95_of_p50"}
    | {"at_once_ms", "at_once_busy", "next_at_once_ms"},
}


def measure(*arguments):
    """Run the command as a person does, against this run's own server."""
    command = [sys.executable, str(PROJECT / "manage.py"), "bench", *migrated.template(), *arguments]
    environment = {**os.environ, "OFFICE_NO_BOOTSTRAP": "1"}
    return subprocess.run(command, cwd=PROJECT, env=environment, capture_output=True, text=True, timeout=600)


def databases(cursor):
    """Name the scratch databases there are."""
    return cursor.execute("SELECT datname FROM pg_database WHERE datname LIKE 'bench%'").fetchall()


class TestShortForm:
    @pytest.mark.parametrize("name", ["search", "pages", "fleet", "night"])
    def test_ends_with_one_object_that_says_what_it_must(self, owner_cursor, name):
        done = measure(name, "--size", "short")
        assert done.returncode == 0, done.stderr
        report = json.loads(done.stdout.splitlines()[-1])
        assert report["name"] == name
        assert set(report) >= ALWAYS | OWN[name]
        assert f"{name}: making the tables" in done.stderr
        assert databases(owner_cursor) == []
        if name in {"pages", "fleet"}:
            assert report["most_queries"] <= 12, report["screens"]
        if name == "night":
            assert (report["lost"], report["units_twice"], report["doubled"], report["books_clean"]) == (0, 0, 0, True)
            assert sum(report["outcomes"].values()) == report["size"]["families"]
            assert set(report["outcomes"]) == {"arrived", "arrived_without_unit"}

    def test_a_name_that_is_none_is_told_the_others(self):
        done = measure("speed")
        assert done.returncode != 0
        assert "There is no bench named speed; there are: " in done.stderr
        assert "Traceback" not in done.stderr

    def test_a_size_that_is_none_is_told_what_is(self):
        assert "--size is full, short, or a share" in measure("search", "--size", "huge").stderr

    def test_a_template_that_is_none_is_told_what_it_takes(self):
        done = measure("search", "--size", "short", "--template", "nowhere")
        assert "--template takes the name of a database that nobody uses. " in done.stderr
        assert "Traceback" not in done.stderr
