"""What comes next at a school: its night and the van."""

import datetime

import pytest
from django.urls import reverse

from rentals.runtime import clock
from rentals.runtime.templatetags.office import day
from schools.ahead import look_ahead
from tests.factories import UserFactory
from tests.schools.factories import NightFactory, ProgrammeFactory, RunFactory, SchoolDayFactory, SchoolFactory, StopFactory

pytestmark = pytest.mark.django_db
TODAY = datetime.date(2026, 11, 28)
TUESDAY = datetime.date(2026, 12, 1)


class TestLookAhead:
    def test_the_next_night_and_no_past_or_called_off_one(self):
        school = SchoolFactory()
        band = [ProgrammeFactory(school=school)]
        night = NightFactory(school=school, programmes=band, on=datetime.date(2026, 12, 8))
        NightFactory(school=school, programmes=band, on=datetime.date(2026, 12, 15))
        NightFactory(school=school, programmes=band, on=datetime.date(2026, 11, 20))
        gone = {"state": "called_off", "ended_at": datetime.datetime(2026, 11, 25, 16, 0, tzinfo=datetime.UTC)}
        NightFactory(school=school, programmes=band, on=datetime.date(2026, 12, 1), ended_by=UserFactory(), **gone)
        assert look_ahead([school], today=TODAY)[school.pk].night == night
        assert look_ahead([school], today=datetime.date(2027, 1, 1))[school.pk].night is None

    def test_the_van_goes_by_days_without_school_of_the_district_too(self):
        school = SchoolFactory(delivery_weekday=1, district="Prairie")
        assert look_ahead([school], today=TODAY)[school.pk].van_on == TUESDAY
        SchoolDayFactory(school=None, district=school.district, first_on=TUESDAY, last_on=TUESDAY)
        assert look_ahead([school], today=TODAY)[school.pk].van_on == datetime.date(2026, 12, 8)

    def test_a_planned_run_comes_before_the_weekday(self):
        school = SchoolFactory(delivery_weekday=1)
        thursday = datetime.date(2026, 12, 3)
        StopFactory(school=school, run=RunFactory(on=thursday))
        assert look_ahead([school], today=TODAY)[school.pk].van_on == thursday

    def test_none_for_a_school_that_is_not_served_or_has_no_day(self):
        schools = [SchoolFactory(delivery_weekday=1, is_active=False), SchoolFactory(delivery_weekday=None)]
        assert [each.van_on for each in look_ahead(schools, today=TODAY).values()] == [None, None]


class TestScreens:
    def test_list_and_school_tell_both_and_stay_cheap(self, client_as, django_assert_max_num_queries):
        client, on = client_as("specialist"), clock.today() + datetime.timedelta(days=9)
        for _ in range(6):
            night = NightFactory(school=SchoolFactory(delivery_weekday=1), on=on)
        for address, most in ((reverse("schools"), 12), (reverse("school", args=[night.school_id]), 15)):
            with django_assert_max_num_queries(most):
                page = client.get(address).text
            assert reverse("night", args=[night.pk]) in page
            assert day(on) in page
