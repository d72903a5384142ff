"""What the van fetches and brings: on which day, once for each instrument, and as the database keeps it."""

import datetime

import psycopg
import pytest
from django.db import IntegrityError, transaction

from schools import errands
from schools.models import CleaningDay, CleaningVisit, Errand
from schools.rules import next_van_day
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory
from tests.schools.factories import CleaningDayFactory, ErrandFactory, SchoolFactory

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 11, 24)  # a Tuesday

pytestmark = pytest.mark.django_db


def ask(**changes):
    facts = {"school": None, "kind": "pick_up", "instrument": None, "what": "A key sticks", "wanted_from": TODAY, **changes}
    facts["school"] = facts["school"] or SchoolFactory()
    facts["instrument"] = facts["instrument"] or InstrumentFactory()
    return errands.ask_for(acting_user=UserFactory(role="technician"), now=NOW, **facts)


class TestNextVanDay:
    @pytest.mark.parametrize(
        ("weekday", "wanted_from", "day"),
        [
            (1, "2026-11-24", "2026-11-24"),  # Tuesday, wanted on a Tuesday: the same day
            (1, "2026-11-25", "2026-12-01"),  # from Wednesday on: the next Tuesday
            (0, "2026-11-24", "2026-11-30"),
            (4, "2026-12-26", "2027-01-01"),  # over the year's end
            (1, "2026-10-06", "2026-11-24"),  # left undone in October: today's run takes it
            (None, "2026-10-06", "2026-11-24"),
            (None, "2026-12-05", "2026-12-05"),
        ],
    )
    def test_is_the_schools_next_weekday_from_then_on_never_past(self, weekday, wanted_from, day):
        wanted, expected = datetime.date.fromisoformat(wanted_from), datetime.date.fromisoformat(day)
        found = next_van_day(weekday=weekday, wanted_from=wanted, today=TODAY)
        assert found == expected
        # Referee: ISO 8601 weekdays as the standard library counts them.
        assert weekday is None or found.isoweekday() == weekday + 1


class TestAskFor:
    def test_puts_it_on_the_list_of_the_schools_next_day(self):
        errand = ask(school=SchoolFactory(delivery_weekday=3))
        assert [(stop.on, stop.errands) for stop in errands.list_stops(today=TODAY)] == [(datetime.date(2026, 11, 26), [errand])]

    def test_refuses_an_instrument_twice(self):
        first = ask()
        with pytest.raises(errands.ErrandOpenError, match="on the van's list already: fetch"):
            ask(instrument=first.instrument, kind="drop_off")
        assert Errand.objects.count() == 1

    def test_refuses_a_school_that_is_not_served(self):
        with pytest.raises(errands.SchoolNotServedError, match="choose another school"):
            ask(school=SchoolFactory(is_active=False))

    def test_takes_it_again_once_the_first_is_over(self):
        first = ask()
        errands.end(errand=first, outcome="done", acting_user=first.made_by, now=NOW)
        assert ask(instrument=first.instrument).pk != first.pk


class TestEnd:
    def test_is_done_once(self):
        errand = ask()
        errands.end(errand=errand, outcome="done", acting_user=errand.made_by, now=NOW)
        with pytest.raises(errands.ErrandEndedError, match="is done already"):
            errands.end(errand=errand, outcome="called_off", acting_user=errand.made_by, now=NOW)

    def test_called_off_by_mistake_is_taken_up_again(self):
        errand = ask()
        errands.end(errand=errand, outcome="called_off", acting_user=errand.made_by, now=NOW)
        assert not errands.list_open().exists()
        errands.take_up_again(errand=errand, acting_user=errand.made_by)
        assert errands.get_open(errand.instrument) == errand

    def test_is_not_taken_up_again_beside_another(self):
        errand = ask()
        errands.end(errand=errand, outcome="called_off", acting_user=errand.made_by, now=NOW)
        ask(instrument=errand.instrument)
        with pytest.raises(errands.ErrandOpenError):
            errands.take_up_again(errand=errand, acting_user=errand.made_by)

    def test_one_that_is_done_stays_done(self):
        errand = ask()
        errands.end(errand=errand, outcome="done", acting_user=errand.made_by, now=NOW)
        assert errands.take_up_again(errand=errand, acting_user=errand.made_by).outcome == "done"


class TestListStops:
    def test_gathers_by_day_then_school_in_two_queries(self, django_assert_num_queries):
        ash, birch = SchoolFactory(name="Ash", delivery_weekday=2), SchoolFactory(name="Birch", delivery_weekday=2)
        for school in (birch, ash, birch):
            ask(school=school)
        with django_assert_num_queries(2):
            stops = errands.list_stops(today=TODAY)
        assert [(stop.school.name, len(stop.errands)) for stop in stops] == [("Ash", 1), ("Birch", 2)]
        assert len(errands.list_stops(today=TODAY, school_id=ash.pk)) == 1


class TestGuards:
    """What the database refuses, whoever writes."""

    def test_one_open_errand_an_instrument(self):
        errand = ErrandFactory()
        with pytest.raises(IntegrityError, match="errand_one_open_per_instrument"), transaction.atomic():
            ErrandFactory(instrument=errand.instrument)

    @pytest.mark.parametrize("ending", [{"ended_at": NOW}, {"outcome": "done"}, {"ended_at": NOW, "outcome": "called_off"}])
    def test_an_end_has_a_time_a_person_and_an_outcome(self, ending):
        errand = ErrandFactory()
        with pytest.raises(IntegrityError, match="errand_ended_somehow_by_someone"), transaction.atomic():
            Errand.objects.filter(pk=errand.pk).update(**ending)

    def test_a_visit_is_expected_or_came(self):
        with pytest.raises(IntegrityError, match="cleaning_visit_expected_or_came"), transaction.atomic():
            CleaningVisit.objects.create(day=CleaningDayFactory(), instrument=InstrumentFactory(), is_expected=False)

    @pytest.mark.parametrize(("late", "constraint"), [("cleaned_at", "came_before_cleaned"), ("back_at", "came_before_back")])
    def test_nothing_is_cleaned_or_goes_back_that_did_not_come(self, late, constraint):
        with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            CleaningVisit.objects.create(
                day=CleaningDayFactory(), instrument=InstrumentFactory(), is_expected=True, **{late: NOW}
            )

    @pytest.mark.django_db(transaction=True)
    @pytest.mark.parametrize(
        "change",
        [
            "UPDATE schools_cleaningvisit SET is_expected = NOT is_expected",
            "DELETE FROM schools_cleaningvisit",
            "INSERT INTO schools_cleaningvisit (day_id, instrument_id, is_expected) "
            "SELECT day_id, (SELECT max(id) FROM inventory_instrument), true FROM schools_cleaningvisit",
        ],
    )
    def test_the_list_of_a_day_that_is_over_stays_as_it_is(self, app_cursor, change):
        day = CleaningDayFactory()
        CleaningVisit.objects.create(day=day, instrument=InstrumentFactory(), is_expected=True)
        InstrumentFactory()
        CleaningDay.objects.filter(pk=day.pk).update(closed_at=NOW, closed_by=day.made_by)
        with pytest.raises(psycopg.errors.CheckViolation, match="the cleaning day is over"):
            app_cursor.execute(change)
