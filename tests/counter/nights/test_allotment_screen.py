"""The allotment's page: proposed from what families signed for, followed step by step, changed by hand."""

import datetime

import pytest
from django.urls import reverse

from rentals.counter.nights.planning.history import count_history
from rentals.counter.nights.planning.workings import explain
from schools import nights_allotment
from schools.models import Allotment, AllotmentLine, KindExpected
from tests.counter.cleaning_school import rent
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, kind
from tests.schools.factories import NightFactory, ProgrammeFactory

pytestmark = pytest.mark.django_db
TODAY = datetime.date(2026, 11, 20)
DISTRICT = "Prairie"


@pytest.fixture
def night():
    programme = ProgrammeFactory(school__name="Alder School", school__district=DISTRICT)
    return NightFactory(school=programme.school, programmes=[programme])


def sign(programme, kind_code, count=1, **more):
    for _ in range(count):
        rent(programme, item=CatalogueItemFactory(kind_code=kind_code), **more)


@pytest.fixture
def signed(night):
    """Three sign-ups of the school's own, four in the district."""
    programme = night.programmes.get()
    sign(programme, "flute", 2)
    sign(programme, "trumpet")
    neighbor = ProgrammeFactory(school__district=DISTRICT)
    sign(neighbor, "flute")
    sign(neighbor, "clarinet", 3)
    return night


def url(night):
    return reverse("night_allotment", args=[night.pk])


def ask(client, night, **changes):
    sent = {"act": "propose", "families": "40", "weight": "20", "percent": "90", "version": "0"}
    return client.post(url(night), {**sent, **changes})


def steps_of(line):
    figures = nights_allotment.list_figures(line.allotment)
    plan = nights_allotment.plan_of(line.allotment, nights_allotment.list_lines(line.allotment), figures)
    return explain(line, line.allotment, plan, {figure.kind_id: figure for figure in figures}).steps


class TestHistory:
    def test_counts_the_schools_own_and_the_districts(self, signed):
        found = count_history(signed, TODAY)
        assert found.own == {("flute", ""): 2, ("trumpet", ""): 1}
        assert found.pooled == {("flute", ""): 1, ("clarinet", ""): 3}
        assert found.pool == f"the other schools of {DISTRICT}"

    def test_leans_on_all_schools_where_the_district_has_none(self, night):
        sign(ProgrammeFactory(school__district="Coast"), "flute")
        found = count_history(night, TODAY)
        assert (found.pooled, found.pool) == ({("flute", ""): 1}, "all other schools we serve")

    def test_leaves_out_other_programmes_and_what_is_long_past(self, night):
        sign(ProgrammeFactory(kind="orchestra", school__district=DISTRICT), "violin")
        sign(night.programmes.get(), "flute", starts_on=datetime.date(2021, 9, 1))
        found = count_history(night, TODAY)
        assert (found.own, found.pooled, found.pool) == ({}, {}, "")


class TestPage:
    def test_invites_to_propose(self, client_as, night):
        assert "Propose an allotment" in client_as("manager").get(url(night)).text

    def test_proposes_and_can_be_followed(self, client_as, signed):
        client = client_as("manager")
        assert ask(client, signed).status_code == 302
        allotment = Allotment.objects.get()
        flute = allotment.lines.get(kind="flute")
        steps = steps_of(flute)
        # (2 + 20 x 1/4) of (3 + 20) families, of 40 expected: with a pencil 7 / 23 = 30.4 %, 12.17.
        assert steps[0] == "Own history: 2 of 3 families took it."
        assert "20 × 25.0% = 5.00" in steps[2]
        assert "7.00 of 23 families (2 + 5.00 of 3 + 20), that is 30.4%. Expected: 40 families × 30.4% = 12.17." in steps[3]
        assert f"so {flute.proposed}." in steps[4]
        shown = client.get(url(signed)).text
        assert all(step.split(":")[0] in shown for step in steps)
        assert "chance that nobody asks is (23 ÷ 63)" in shown

    def test_counts_what_the_director_told(self, client_as, signed):
        KindExpected.objects.create(programme=signed.programmes.get(), kind=kind("flute"), count=9)
        client = client_as("manager")
        ask(client, signed)
        flute, trumpet = (AllotmentLine.objects.get(kind=code) for code in ("flute", "trumpet"))
        assert (flute.proposed, flute.whole) == (9, 9)
        shown = client.get(url(signed)).text
        assert "Told by the directors: Alder School Band: 9." in shown
        assert "Taken as the count" in shown
        # 40 - 9 = 31 families share clarinet (0 own, 3 of 3 in the pool) and trumpet (1 own): trumpet 1 of 21, 1.48.
        steps = steps_of(trumpet)
        assert steps[0].startswith("Of 40 families expected, 9 are told by directors (Flute 9). The other 31 share")
        assert "1.00 of 21 families (1 + 0.00 of 1 + 20), that is 4.8%. Expected: 31 families × 4.8% = 1.48." in steps[4]
        assert all(step.split(":")[0] in shown for step in steps)

    def test_tells_who_did_not_tell(self, client_as, signed):
        told, silent = signed.programmes.get(), ProgrammeFactory(school__name="Birch School", school__district=DISTRICT)
        signed.programmes.add(silent)
        KindExpected.objects.create(programme=told, kind=kind("flute"), count=39)
        client = client_as("manager")
        ask(client, signed)
        flute = AllotmentLine.objects.get(kind="flute")
        assert flute.proposed == 39 > flute.whole
        assert "not told by Birch School Band" in client.get(url(signed)).text
        assert steps_of(flute)[-1].endswith("so 39.")

    def test_says_what_is_short_and_what_could_do(self, client_as, signed):
        InstrumentFactory(item=CatalogueItemFactory(kind_code="flute", tier="advanced"), last_cleaned_on=TODAY)
        client = client_as("manager")
        ask(client, signed)
        shown = client.get(url(signed)).text
        assert "Short, and the next best" in shown
        assert "Better tier, here" in shown
        assert "Nothing in any shop. Take fewer, or buy some." in shown

    def test_takes_a_level_from_costs(self, client_as, signed):
        client = client_as("manager")
        ask(client, signed, percent="", short_cost="40", spare_cost="15")
        assert str(Allotment.objects.get().level) == "0.727"
        assert "$40.00 ÷ ($40.00 + $15.00) = 72.7%" in client.get(url(signed)).text

    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"percent": "100"}, "A level lies between 50% and 99.9%"),
            ({"percent": ""}, "Write a level, like 90, or both costs."),
            ({"short_cost": "40"}, "Give both costs, or neither and a level."),
            ({"short_cost": "1", "spare_cost": "99"}, "That comes to a level of 1.0%."),
            ({"families": "x"}, "Write a whole number in digits."),
        ],
    )
    def test_says_what_is_wrong(self, client_as, night, changes, words):
        answer = ask(client_as("manager"), night, **changes)
        assert answer.status_code == 422
        assert words in answer.text

    def test_keeps_who_changed_what(self, client_as, signed):
        client = client_as("manager")
        ask(client, signed)
        lines = {f"line-{line.pk}": str(line.quantity) for line in AllotmentLine.objects.all()}
        flute = AllotmentLine.objects.get(kind="flute")
        sent = {"act": "change", "version": "1", **lines, f"line-{flute.pk}": "3"}
        assert client.post(url(signed), sent).status_code == 302
        assert f"Changed by hand: {client.user.name}" in client.get(url(signed)).text
        stale = client.post(url(signed), {**sent, f"line-{flute.pk}": "4"})
        assert stale.status_code == 409
        assert 'value="4"' in stale.text
        assert "now 3" in stale.text
        empty = client.post(url(signed), {**sent, "version": "2", f"line-{flute.pk}": ""})
        assert empty.status_code == 422
        assert "Flute: write how many, 0 for none." in empty.text

    def test_adds_a_line_of_a_size_that_exists(self, client_as, signed):
        client = client_as("manager")
        ask(client, signed)
        sent = {"act": "add", "kind": "violin", "size": "", "quantity": "2", "version": "1"}
        assert "Write one of the sizes of a violin" in client.post(url(signed), sent).text
        assert client.post(url(signed), {**sent, "size": "1/2"}).status_code == 302
        assert AllotmentLine.objects.get(kind="violin").quantity == 2

    def test_may_be_read_but_not_changed_by_a_technician(self, client_as, signed):
        ask(client_as("manager"), signed)
        technician = client_as("technician")
        assert "Save the numbers" not in technician.get(url(signed)).text
        assert ask(technician, signed, version="1").status_code == 403

    def test_asks_the_database_little(self, client_as, signed, django_assert_max_num_queries):
        client = client_as("manager")
        ask(client, signed)
        with django_assert_max_num_queries(20):
            client.get(url(signed))
