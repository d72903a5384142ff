"""A year of an office from one seed: whatever comes twice, late or in another order, the books hold, and a seed tells them again.

More families: `OFFICE_FAMILIES=300 python3 manage.py test tests/stateful -k year`.
"""

import io
import os
import subprocess

import pytest
from beancount import loader
from django.core.management import call_command
from django.db import transaction

from billing import verify
from billing.models import Charge, Payment
from rentals.agreements.models import Agreement
from tests.stateful.simulation import Simulation, count_from

FAMILIES = int(os.environ.get("OFFICE_FAMILIES", "30"))
pytestmark = pytest.mark.django_db
REFEREES = ["beancount", "hledger"]


class Year:
    """What a year came to."""

    def __init__(self, seed):
        with transaction.atomic():
            count_from(1_000_000)
            simulation = Simulation(seed, FAMILIES)
            simulation.run()
            self.counts = simulation.counts
            self.journals = {referee: journal(referee) for referee in REFEREES}
            self.breaches = [(each.title, found) for each, found in verify.run_checks() if found]
            self.ended = set(Agreement.objects.exclude(ended_on=None).values_list("end_reason", flat=True))
            self.charged, self.paid = Charge.objects.count(), Payment.objects.count()
            transaction.set_rollback(True)


def journal(referee):
    out = io.StringIO()
    call_command("export_journal", "--format", referee, stdout=out)
    return out.getvalue()


@pytest.fixture(scope="module")
def years(django_db_setup, django_db_blocker):
    """The same year twice."""
    with django_db_blocker.unblock():
        yield Year(seed=7), Year(seed=7)


class TestAYear:
    def test_holds_every_check(self, years):
        assert years[0].breaches == []

    def test_was_an_eventful_one(self, years):
        counts = years[0].counts
        assert years[0].charged > 7 * FAMILIES
        assert years[0].paid > 5 * FAMILIES
        assert {"returned", "bought", "exchanged"} <= years[0].ended
        assert min(counts[each] for each in ("twice", "died", "bounce", "close", "hold", "MoveNotPossibleError")) > 0

    def test_is_told_again_to_the_byte_by_its_seed(self, years):
        assert years[0].journals == years[1].journals
        assert years[0].counts == years[1].counts

    def test_is_read_by_beancount_which_agrees_on_every_balance(self, years):
        text = years[0].journals["beancount"]
        assert text.count(" ~ 0.001 ") > 10
        assert [error.message for error in loader.load_string(text)[1]] == []

    @pytest.mark.hledger
    def test_is_checked_by_hledger(self, years, tmp_path):
        file = tmp_path / "journal"
        file.write_text(years[0].journals["hledger"])
        done = subprocess.run(["hledger", "-f", file, "check", "-s"], capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, "")
