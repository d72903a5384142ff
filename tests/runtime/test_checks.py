"""The whole test run in two halves: every test is in one of them, a failure in either counts, and the last line tells all."""

import doctest
import os
import sys

from rentals.runtime import checks
from rentals.runtime.bootstrap import PROJECT


class FakePython:
    """Stands for the interpreter: says how many folders it was given, and fails where it is told to."""

    def __init__(self, folder, *, fails_in: str = "") -> None:
        self.path = folder / "python"
        self.path.write_text(
            f'#!/bin/sh\nfolders=0\nfor word in "$@"; do case $word in tests/*) folders=$((folders + 1));; esac; done\n'
            f'echo "half $OFFICE_TEST_HALF: $*"\n'
            f'if [ "$OFFICE_TEST_HALF" = "{fails_in}" ]; then echo "1 failed, $folders passed in 1.00s"; exit 1; fi\n'
            f'echo "$folders passed in 1.00s"\n'
        )
        self.path.chmod(0o755)


def run(tmp_path, monkeypatch, capfd, **faults: str) -> tuple[int, list[str]]:
    for name in ("DATABASE_URL", "REDIS_URL"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("OFFICE_STATE_DIR", str(tmp_path))
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(sys, "executable", str(FakePython(tmp_path, **faults).path))
    code = checks.all_tests()
    return code, capfd.readouterr().out.splitlines()


def test_examples_hold():
    assert doctest.testmod(checks).failed == 0


def test_every_folder_of_tests_is_in_one_half(tmp_path, monkeypatch, capfd):
    code, lines = run(tmp_path, monkeypatch, capfd)
    given = sorted(word for line in lines if line.startswith("half ") for word in line.split() if word.startswith("tests/"))
    there = sorted(
        f"tests/{path.parent.relative_to(PROJECT / 'tests').parts[0]}" for path in PROJECT.glob("tests/*/**/test_*.py")
    )
    assert given == sorted({*there, *(f"tests/{path.name}" for path in PROJECT.glob("tests/test_*.py"))})
    assert code == 0
    assert lines[-1].startswith(f"{len(given)} passed in ")


def test_a_failure_in_either_half_is_a_failure(tmp_path, monkeypatch, capfd):
    for half in ("first", "second"):
        code, lines = run(tmp_path, monkeypatch, capfd, fails_in=half)
        assert code == 1
        assert lines[-1].startswith("1 failed, ") or ", 1 failed" in lines[-1]
