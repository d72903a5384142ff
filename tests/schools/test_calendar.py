"""The calendar of schools and districts, and the van that goes by a day without school."""

import datetime

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from schools import calendar, errands
from schools.models import SchoolDay
from schools.rules import next_van_day
from tests.factories import UserFactory
from tests.schools.factories import ErrandFactory, SchoolDayFactory, SchoolFactory

pytestmark = pytest.mark.django_db
TODAY = datetime.date(2026, 12, 14)  # a Monday
LIST = "12/21/2026 - 01/01/2027 Winter break\n\n01/18/2027, King holiday\n"


class TestReadList:
    def test_reads_days_and_spans(self):
        assert calendar.read_list(LIST) == [
            calendar.ListedDays(datetime.date(2026, 12, 21), datetime.date(2027, 1, 1), "Winter break"),
            calendar.ListedDays(datetime.date(2027, 1, 18), datetime.date(2027, 1, 18), "King holiday"),
        ]

    @pytest.mark.parametrize(
        ("line", "said"),
        [
            ("Winter break", "begin with a day"),
            ("02/30/2027", "no day of the calendar"),
            ("01/05/2027 - 01/04/2027", "turn them around"),
            ("01/05/2027 - 12/31/2027", "at most 120"),
        ],
    )
    def test_says_what_is_wrong_in_which_line(self, line, said):
        with pytest.raises(calendar.DaysNotReadError, match=said) as caught:
            calendar.read_list(f"01/18/2027\n{line}")
        assert caught.value.lines[0].startswith("Line 2: ")


class TestVan:
    # The Tuesdays of the calendar: December 15, 22 and 29, 2026, and January 5, 2027.
    def test_goes_by_the_break_of_the_school_and_of_its_district(self):
        school = SchoolFactory(delivery_weekday=1)
        SchoolDayFactory(school=school, first_on=datetime.date(2026, 12, 15), last_on=datetime.date(2026, 12, 15))
        SchoolDayFactory(school=None, district=school.district)
        errand = ErrandFactory(school=school, wanted_from=TODAY)
        assert errands.next_day_of(errand, today=TODAY) == datetime.date(2027, 1, 5)
        assert [stop.on for stop in errands.list_stops(today=TODAY)] == [datetime.date(2027, 1, 5)]

    def test_comes_on_concert_days_and_to_other_districts(self):
        school = SchoolFactory(delivery_weekday=1)
        tuesday = {"first_on": datetime.date(2026, 12, 15), "last_on": datetime.date(2026, 12, 15)}
        SchoolDayFactory(school=school, kind=SchoolDay.Kind.CONCERT, **tuesday)
        SchoolDayFactory(school=None, district=SchoolFactory(district="Coast").district, **tuesday)
        assert errands.next_day_of(ErrandFactory(school=school), today=TODAY) == datetime.date(2026, 12, 15)

    def test_without_a_fixed_day_comes_on_the_next_open_one(self):
        shut = {TODAY, TODAY + datetime.timedelta(days=1)}
        assert next_van_day(weekday=None, wanted_from=TODAY, today=TODAY, closed=shut) == datetime.date(2026, 12, 16)

    def test_a_school_closed_for_good_leaves_the_usual_day(self):
        shut = {TODAY + datetime.timedelta(days=n) for n in range(500)}
        assert next_van_day(weekday=1, wanted_from=TODAY, today=TODAY, closed=shut) == datetime.date(2026, 12, 15)

    def test_asks_as_often_for_many_errands(self, django_assert_num_queries):
        for _ in range(5):
            ErrandFactory()
        with django_assert_num_queries(2):
            assert len(errands.list_stops(today=TODAY)) == 5


class TestDays:
    def test_the_same_list_again_adds_nothing(self):
        school, days = SchoolFactory(), calendar.read_list(LIST)
        for _ in range(2):
            calendar.add_days(kind="closed", days=days, acting_user=UserFactory(), school=school)
        assert SchoolDay.objects.count() == 2

    @pytest.mark.parametrize(
        ("changes", "name"),
        [
            ({"last_on": datetime.date(2026, 12, 1)}, "school_day_ends_after_it_begins"),
            ({"school": None}, "school_day_of_school_or_district"),
        ],
    )
    def test_the_database_refuses(self, changes, name):
        with pytest.raises(IntegrityError, match=name), transaction.atomic():
            SchoolDayFactory(**changes)


class TestScreens:
    def test_adds_and_takes_out(self, client_as):
        school, client = SchoolFactory(), client_as("specialist")
        address = reverse("district_days_add", args=[school.district_id])
        refused = client.post(address, {"kind": "closed", "days": "13/01/2026"})
        assert refused.status_code == 422
        assert "13/01/2026 is no day" in refused.text
        client.post(address, {"kind": "closed", "days": "12/21/9998 Far break"})
        assert "Far break" in client.get(reverse("school", args=[school.pk])).text
        page = client.get(reverse("district", args=[school.district_id])).text
        assert school.name in page
        assert "Far break" in page
        client.post(reverse("school_day_remove", args=[SchoolDay.objects.get().pk]))
        assert not SchoolDay.objects.exists()

    def test_the_list_shows_one_district(self, client_as, django_assert_max_num_queries):
        school, other, client = SchoolFactory(), SchoolFactory(district="Coast"), client_as("bookkeeper")
        with django_assert_max_num_queries(12):
            page = client.get(reverse("schools"), {"district": school.district_id}).text
        assert school.name in page
        assert other.name not in page
        assert client.post(reverse("school_days_add", args=[school.pk])).status_code in {302, 403}
