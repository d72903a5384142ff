"""What signed up season by season, and where it stands beside what is expected."""

import datetime

import pytest
from django.urls import reverse

from rentals.agreements.models import Agreement
from rentals.runtime import clock
from schools import seasons
from schools.models import KindExpected
from schools.seasons import Season, count_seasons
from tests.counter.cleaning_school import rent
from tests.inventory.factories import CatalogueItemFactory, kind
from tests.schools.factories import NightFactory, ProgrammeFactory

pytestmark = pytest.mark.django_db
TODAY = datetime.date(2026, 11, 20)


def sign(programme, code, on, **more):
    return rent(programme, item=CatalogueItemFactory(kind_code=code), starts_on=on, **more)


@pytest.fixture
def programme():
    return ProgrammeFactory(school__name="Alder School")


class TestCountSeasons:
    def test_begins_a_season_with_july(self, programme):
        sign(programme, "flute", datetime.date(2026, 6, 30))
        sign(programme, "flute", datetime.date(2026, 7, 1))
        sign(programme, "trumpet", datetime.date(2026, 9, 3))
        sign(programme, "flute", datetime.date(2022, 9, 1))
        assert count_seasons([programme], today=TODAY) == {
            programme.pk: [
                Season("2026/27", True, 2, {"flute": 1, "trumpet": 1}),
                Season("2025/26", False, 1, {"flute": 1}),
                Season("2024/25", False, 0, {}),
                Season("2023/24", False, 0, {}),
            ]
        }

    def test_leaves_out_what_followed_and_what_was_voided(self, programme):
        first = sign(
            programme,
            "flute",
            datetime.date(2026, 8, 1),
            ended_on=datetime.date(2026, 9, 1),
            end_reason=Agreement.EndReason.EXCHANGED,
        )
        sign(programme, "flute", datetime.date(2026, 9, 1), follows=first, follows_by=Agreement.FollowsBy.EXCHANGE)
        sign(programme, "flute", datetime.date(2026, 8, 1))
        Agreement.objects.exclude(follows__isnull=False).exclude(pk=first.pk).update(
            ended_on=datetime.date(2026, 8, 1), end_reason=Agreement.EndReason.VOIDED
        )
        assert count_seasons([programme], today=TODAY)[programme.pk][0].count == 1

    def test_asks_once_however_many_programmes(self, programme, django_assert_num_queries):
        others = [ProgrammeFactory() for _ in range(3)]
        sign(others[0], "flute", datetime.date(2026, 8, 1))
        with django_assert_num_queries(1):
            found = count_seasons([programme, *others], today=TODAY)
        assert [found[each.pk][0].count for each in (programme, *others)] == [0, 1, 0, 0]


class TestScreens:
    @pytest.fixture
    def signed(self, programme):
        """Two sign-ups of the season that is over."""
        last = seasons.season_of(clock.today()) - 1
        for code in ("flute", "trumpet"):
            sign(programme, code, datetime.date(last, 9, 1))
        KindExpected.objects.create(programme=programme, kind=kind("flute"), count=11)
        return f"{seasons.write_season(last)}: 2"

    def test_stand_on_the_page_of_the_school_and_of_the_wishes(self, client_as, programme, signed):
        client = client_as("manager")
        assert signed in client.get(reverse("school", args=[programme.school_id])).text
        wishes = client.get(reverse("programme_wishes", args=[programme.pk])).text
        assert signed in wishes
        assert '<td class="num">11</td><td class="num">0</td><td class="num">1</td><td class="num">0</td>' in wishes

    def test_stand_where_a_night_is_planned(self, client_as, programme, signed):
        night = NightFactory(school=programme.school, programmes=[programme])
        client = client_as("manager")
        assert signed in client.get(reverse("night", args=[night.pk])).text
        for url in (f"{reverse('night_add')}?school={programme.school_id}", reverse("night_change", args=[night.pk])):
            shown = client.get(url).text
            assert "What signed up in past seasons" in shown
            assert '<th scope="row">Alder School Band</th>' in shown
            assert '<td class="num">0</td><td class="num">2</td>' in shown
