"""The house rules over the whole project, and each rule against a good and a bad sample, so that a rule cannot fall asleep."""

import pytest

from rentals.runtime.bootstrap import PROJECT
from tests.architecture import rules

# One word cut in two, so that this file does not break the rules it tests.
LATER = "TO" + "DO"
QUIET = "no" + "qa"
SKIP = "pytest.mark." + "skip"

SAMPLES = [
    (rules.unfinished, "x = 1  # because\ny = f()  # type: ignore[arg-type]\n", f"x = 1  # {LATER} later\n"),
    (rules.unfinished, "import a  # noq" + "a: F401\n", f"import a  # {QUIET}\n"),
    (rules.too_long, "def f():\n" + "    x = 1\n" * 59, "def f():\n" + "    x = 1\n" * 60),
    (rules.too_long, "x = 1\n" * 500, "x = 1\n" * 501),
    (
        rules.day_of_greenwich,
        "on = timezone.localdate(now)\nname = f'{localtime(self.made_at):%Y}{today:%Y}'\n",
        "on = now.date()\n",
    ),
    (rules.day_of_greenwich, "last = now.astimezone(zone).date()\n", "today = datetime.date.today()\n"),
    (rules.day_of_greenwich, "now = clock.now()\n", "now = timezone.now()\n"),
    (rules.day_of_greenwich, "today = clock.today()\n", "name = f'{self.made_at:%Y-%m-%d}'\n"),
    (rules.skipped_tests, "def test_a(): ...\n", f"@{SKIP}\ndef test_a(): ...\n"),
    (
        rules.broad_catch_in_transaction,
        "with transaction.atomic():\n    try:\n        f()\n    except ValueError:\n        pass\n",
        "with transaction.atomic():\n    try:\n        f()\n    except Exception:\n        pass\n",
    ),
    (rules.inline_code, '<script src="a.js" defer></script><p class="x">', "<script>go()</script>"),
    (rules.inline_code, '<p data-style="x">', '<p style="x">'),
    (rules.inline_code, '<button name="go">', '<button onclick="go()">'),
    (rules.browser_validation, '<input type="text" inputmode="numeric">', '<input type="number">'),
    (rules.browser_validation, '<input name="a">', '<input name="a" required>'),
    (rules.raw_amounts_and_dates, "{{ charge.amount|money }} {{ charge.due_on|day }}", '{{ charge.due_on|date:"Y" }}'),
]


@pytest.mark.parametrize(("rule", "good", "bad"), SAMPLES)
class TestEachRule:
    def test_lets_the_good_pass(self, rule, good, bad):
        assert list(rule(good)) == []

    def test_sees_the_bad(self, rule, good, bad):
        assert list(rule(bad))


def breaches(rule, paths) -> list[str]:
    return [f"{path.relative_to(PROJECT)}:{breach}" for path in paths for breach in rule(path.read_text())]


@pytest.mark.parametrize("rule", [rules.unfinished, rules.too_long, rules.broad_catch_in_transaction])
def test_the_code_keeps(rule):
    assert breaches(rule, rules.python_files()) == []


def test_a_day_is_the_offices_day():
    own_clock = PROJECT / "rentals" / "runtime" / "clock.py"
    code = [path for path in rules.python_files() if "tests" not in path.parts and path != own_clock]
    assert breaches(rules.day_of_greenwich, code) == []


def test_no_test_is_skipped():
    assert breaches(rules.skipped_tests, [path for path in rules.python_files() if "tests" in path.parts]) == []


@pytest.mark.parametrize("rule", [rules.unfinished, rules.inline_code, rules.browser_validation, rules.raw_amounts_and_dates])
def test_the_templates_keep(rule):
    assert breaches(rule, rules.templates()) == []
