"""When a cleaning is due: one rule, in Python and in the database, for the bench and for the family's reminder."""

import calendar
import datetime

import pytest
from dateutil.relativedelta import relativedelta
from django.urls import reverse

from rentals.counter import cleanings
from rentals.inventory import cautions, operations, queries, rules
from rentals.inventory.models import Instrument, WorkOrder
from rentals.inventory.operations.cleanings import CleanedSinceError, call_off_cleaning, undo_cleaning
from rentals.inventory.queries.cleanings import with_cleaning_due
from rentals.runtime.templatetags.office import day as as_written
from tests.counter.cleaning_school import instrument_of, rent
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 3, 2, 16, 0, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 3, 2)
# last cleaned, rented since, acquired, due. The leap day as dateutil.relativedelta has it, which is the referee.
CASES = [
    (None, None, "2024-02-29", "2025-02-28"),
    ("2024-02-29", None, "2020-01-01", "2025-02-28"),
    ("2023-03-01", None, "2020-01-01", "2024-03-01"),
    (None, "2025-09-10", "2020-01-01", "2026-09-10"),
    ("2024-05-01", "2025-09-10", "2020-01-01", "2026-09-10"),
    ("2026-01-31", "2025-09-10", "2020-01-01", "2027-01-31"),
]


def day(text):
    return datetime.date.fromisoformat(text) if text else None


class TestRule:
    @pytest.mark.parametrize(("last", "rented", "acquired", "due"), CASES)
    def test_the_database_and_python_say_the_same(self, last, rented, acquired, due):
        unit = instrument_of(rent(None, starts_on=day(rented))) if rented else InstrumentFactory()
        Instrument.objects.filter(pk=unit.pk).update(last_cleaned_on=day(last), acquired_on=day(acquired))
        asked = with_cleaning_due(queries.list_instruments()).get(pk=unit.pk)
        told = rules.cleaning_due_on(last_cleaned_on=day(last), acquired_on=day(acquired), rented_since=day(rented))
        assert (asked.cleaning_due_on, told) == (day(due), day(due))
        since = max((each for each in (day(last), day(rented)) if each), default=day(acquired))
        assert told == since + relativedelta(years=1)
        assert calendar.monthrange(told.year, told.month)[1] >= told.day

    @pytest.mark.parametrize(("last", "rented", "acquired", "due"), CASES)
    def test_the_instruments_page_says_what_the_lists_say(self, client_as, last, rented, acquired, due):
        unit = instrument_of(rent(None, starts_on=day(rented))) if rented else InstrumentFactory()
        Instrument.objects.filter(pk=unit.pk).update(last_cleaned_on=day(last), acquired_on=day(acquired))
        page = client_as("technician").get(reverse("instrument", args=[unit.pk]))
        assert page.context["due_on"] == day(due)
        assert f"<dt>Next cleaning due</dt><dd>{as_written(day(due))}" in page.content.decode()

    @pytest.mark.parametrize("days", [-1, 0])
    def test_the_bench_and_the_familys_reminder_go_by_it(self, days):
        agreement = rent(None)
        Instrument.objects.update(last_cleaned_on=None)
        on = datetime.date(2026, 9, 10) + datetime.timedelta(days=days)
        reminded = cleanings.list_reminders_due(today=on - datetime.timedelta(days=cleanings.DAYS_AHEAD))
        assert [each.instrument for each in reminded] == list(queries.list_cleanings_due(on))
        assert bool(reminded) == (days == 0), agreement

    def test_an_ended_rental_counts_no_more(self):
        agreement = rent(None, starts_on=datetime.date(2026, 1, 10))
        unit = instrument_of(agreement)
        Instrument.objects.update(last_cleaned_on=datetime.date(2025, 1, 1))
        assert not queries.list_cleanings_due(TODAY).filter(pk=unit.pk).exists()
        agreement.units.update(ended_at=NOW)
        assert queries.list_cleanings_due(TODAY).get(pk=unit.pk).cleaning_due_on == datetime.date(2026, 1, 1)


class TestUndoCleaning:
    def clean(self, unit, who):
        operations.record_cleaning(instrument=unit, cleaned_on=TODAY, **who)

    def test_the_date_before_holds_again_and_the_order_says_so(self):
        unit, who = InstrumentFactory(last_cleaned_on=datetime.date(2025, 1, 5)), {"acting_user": TechnicianFactory(), "now": NOW}
        self.clean(unit, who)
        undo_cleaning(instrument=unit, cleaned_on=TODAY, back_to=datetime.date(2025, 1, 5), **who)
        unit.refresh_from_db()
        order = WorkOrder.objects.get(instrument=unit)
        assert unit.last_cleaned_on == datetime.date(2025, 1, 5)
        assert (order.outcome, order.work_done) == ("unrepaired", "Not cleaned: noted by mistake")

    def test_a_cleaning_since_stands(self):
        unit, who = InstrumentFactory(), {"acting_user": TechnicianFactory(), "now": NOW}
        self.clean(unit, who)
        Instrument.objects.update(last_cleaned_on=datetime.date(2026, 3, 3))
        with pytest.raises(CleanedSinceError):
            undo_cleaning(instrument=unit, cleaned_on=TODAY, back_to=None, **who)

    def test_an_order_called_off_notes_no_cleaning(self):
        unit, who = InstrumentFactory(last_cleaned_on=None), {"acting_user": TechnicianFactory(), "now": NOW}
        order = operations.open_work_order(instrument=unit, kind="cleaning", problem="", location=LocationFactory(), **who)
        closed = call_off_cleaning(order=order, why="Scanned in by mistake", **who)
        unit.refresh_from_db()
        assert (closed.state, closed.outcome, unit.last_cleaned_on) == ("done", "unrepaired", None)


class TestCautions:
    def test_reeds_oils_and_mixing_where_winds_are_cleaned(self):
        words = " ".join(each.text for each in cautions.for_cleaning({"woodwind"}))
        assert "Reeds are never shared" in words
        assert "Never mix two cleaning products" in words
        assert "Mouldy" in words

    def test_nothing_of_mouthpieces_for_strings(self):
        words = " ".join(each.text for each in cautions.for_cleaning({"string"}))
        assert "mouthpiece" not in words
        assert "only damp" in words

    def test_old_lacquer_at_brass_repairs(self):
        assert cautions.FINISH in cautions.for_repair("brass")
        assert cautions.FINISH not in cautions.for_repair("string")
