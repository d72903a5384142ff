"""The van of a night by scans: each verdict, substitutes and extras, undoing, unloading, what is missing; the list on paper."""

import datetime
import io
import uuid

import pypdf
import pytest
from django.urls import reverse

from rentals.agreements.models import UnitPromise
from rentals.counter.nights.packing import queries, scans
from rentals.inventory import queries as inventory
from rentals.inventory.models import LabelLayout
from rentals.inventory.operations import labels, move_instrument
from rentals.staff.operations import RequestKeyReusedError
from schools import nights_allotment, nights_packing
from schools.models import Allotment, ApprovedItem, Night, NightUnit
from schools.nights import NightOverError
from schools.nights_allotment import History, Settings
from tests.counter.cleaning_school import instrument_of, rent
from tests.factories import ManagerFactory, SpecialistFactory
from tests.inventory.factories import CatalogueItemFactory, HoldFactory, InstrumentFactory, LocationFactory, ProductFactory, kind
from tests.schools.factories import NightFactory, RequiredItemFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 3, 2, 18, 0, tzinfo=datetime.UTC)
CLEANED = datetime.date(2026, 6, 1)


@pytest.fixture
def specialist():
    return SpecialistFactory(name="Sam Loads")


@pytest.fixture
def night():
    return NightFactory(school__name="Alder School")


@pytest.fixture
def allotment(night):
    """Two violins 1/2."""
    counted = History(own={("violin", "1/2"): 1}, pooled={}, pool="", counted_from=CLEANED)
    made = nights_allotment.propose_allotment(
        night=night, history=counted, settings=Settings(families=1), version=0, acting_user=night.made_by, now=NOW
    )
    nights_allotment.change_quantities(
        allotment=made, version=1, quantities={made.lines.get().pk: 2}, acting_user=night.made_by, now=NOW
    )
    return Allotment.objects.get()


def violin(size="1/2", tier="beginner", **facts):
    facts.setdefault("last_cleaned_on", CLEANED)
    return InstrumentFactory(item=CatalogueItemFactory(kind_code="violin", size=size, tier=tier), **facts)


class Desk:
    """Scans at the van, a minute apart."""

    def __init__(self, night, specialist):
        self.night, self.specialist, self.now = night, specialist, NOW

    def load(self, code, choice="", key=None):
        return self._scan(scans.take_load, code, choice, key)

    def unload(self, code, key=None, location=None):
        return self._scan(scans.take_unload, code, "", key, location)

    def _scan(self, take, code, choice, key, location=None):
        self.now += datetime.timedelta(minutes=1)
        sent = scans.Scan(self.night, code, key or uuid.uuid4(), choice, location)
        return take(sent, acting_user=self.specialist, now=self.now)


@pytest.fixture
def desk(night, specialist):
    return Desk(night, specialist)


def place(unit):
    return inventory.get_whereabouts(unit).place


class TestLoading:
    def test_moves_it_into_the_van_and_opens_the_night(self, desk, allotment, night):
        unit = violin()
        told = desk.load(unit.asset_tag)
        assert (told.tone, told.more) == ("good", "Violin 1/2. 1 more to load of this line.")
        assert place(unit) == "van"
        assert NightUnit.objects.get().line == allotment.lines.get()
        assert Night.objects.get(pk=night.pk).state == "open"
        assert "complete" in desk.load(violin().asset_tag).more

    def test_a_scan_sent_again_is_one_scan(self, desk, allotment):
        unit, key = violin(), uuid.uuid4()
        assert desk.load(unit.asset_tag, key=key) == desk.load(unit.asset_tag, key=key)
        assert NightUnit.objects.count() == 1
        with pytest.raises(RequestKeyReusedError):
            desk.load(violin().asset_tag, key=key)

    def test_the_same_instrument_twice_is_said(self, desk, allotment):
        unit = violin()
        desk.load(unit.asset_tag)
        told = desk.load(unit.asset_tag)
        assert (told.tone, told.words) == ("info", "Twice")
        assert NightUnit.objects.count() == 1

    def test_what_is_unknown_is_said(self, desk):
        assert desk.load("ZZ-9999").words == "Unknown: ZZ-9999"

    def test_a_model_no_director_approves_is_asked_about(self, client_as, desk, allotment, night):
        asked_for, other = violin(), violin()
        ApprovedItem.objects.create(programme=night.programmes.get(), item=asked_for.item)
        assert desk.load(asked_for.asset_tag).tone == "good"
        told = desk.load(other.asset_tag)
        assert (told.tone, told.more) == (
            "warn",
            f"{other.item} is not a model the directors of this night approve. Otherwise leave it here.",
        )
        assert place(other) == "shelf"
        desk.load(other.asset_tag, choice=told.choices[0][0])
        assert {along.unit.instrument: along.is_off_list for along in queries.get_packing(night).along} == {
            asked_for: False,
            other: True,
        }
        assert "Not approved" in client_as("specialist").get(reverse("night_packing", args=[night.pk])).text

    def test_offers_labels_of_what_is_along(self, client_as, desk, allotment, night):
        bare, labelled = violin(), violin()
        labels.print_labels(
            instruments=[labelled.pk],
            layout=LabelLayout.objects.first(),
            printer=None,
            starts_at=1,
            request_key=uuid.uuid4(),
            acting_user=night.made_by,
            now=NOW,
        )
        for unit in (bare, labelled):
            desk.load(unit.asset_tag)
        client = client_as("specialist")
        shown = client.get(reverse("night_packing", args=[night.pk])).text
        every, some = (f"{reverse('labels_print')}?instruments={ids}" for ids in (f"{bare.pk},{labelled.pk}", bare.pk))
        assert f'href="{every}"' in shown
        assert f'href="{some}">Only the 1 without a label' in shown
        assert bare.asset_tag in client.get(every).text

    def test_what_another_van_has_is_refused(self, desk, specialist):
        unit = violin()
        other = NightFactory(school__name="Birch School")
        Desk(other, specialist).load(unit.asset_tag, choice="extra")
        told = desk.load(unit.asset_tag)
        assert (told.tone, told.words) == ("bad", "In another van")
        assert "Birch School, November 30" in told.more

    def test_what_is_held_is_refused(self, desk, allotment):
        unit = HoldFactory(instrument=violin(), reason="For Ms. Baton").instrument
        told = desk.load(unit.asset_tag)
        assert told.tone == "bad"
        assert "For Ms. Baton" in told.more

    def test_what_is_on_an_agreement_is_refused(self, desk, night):
        unit = instrument_of(rent(night.programmes.get()))
        told = desk.load(unit.asset_tag, choice="extra")
        assert told.tone == "bad"
        assert "is on agreement" in told.more
        assert place(unit) != "van"

    def test_what_is_not_on_a_shelf_is_refused(self, desk, allotment):
        told = desk.load(violin(place="bench").asset_tag)
        assert "By the books" in told.more
        assert "in the shop, Main Street shop" in told.more

    def test_what_is_due_for_cleaning_is_asked_about(self, desk, allotment):
        unit = violin(last_cleaned_on=datetime.date(2025, 6, 1))
        told = desk.load(unit.asset_tag)
        assert "annual cleaning is due" in told.more
        assert place(unit) == "shelf"
        ((choice, label),) = told.choices
        assert label == "Take it all the same"
        assert desk.load(unit.asset_tag, choice=choice).tone == "good"
        assert NightUnit.objects.get().line == allotment.lines.get()

    def test_another_size_stands_in_for_a_line(self, desk, allotment, night):
        unit = violin("3/4")
        told = desk.load(unit.asset_tag)
        assert "Violin 3/4 is not on the list." in told.more
        assert [label for _, label in told.choices] == ["Instead of Violin 1/2", "Take it as an extra"]
        taken = desk.load(unit.asset_tag, choice=told.choices[0][0])
        assert taken.more == "Violin 3/4, instead of Violin 1/2. 1 more to load of this line."
        (loaded,) = queries.get_packing(night).along
        along, stands_in = loaded.unit, loaded.stands_in
        assert (along.instrument, stands_in) == (unit, True)

    def test_a_far_size_is_no_stand_in(self, desk, allotment):
        assert [label for _, label in desk.load(violin("4/4").asset_tag).choices] == ["Take it as an extra"]

    def test_one_more_than_asked_is_an_extra(self, desk, allotment):
        for _ in range(2):
            desk.load(violin().asset_tag)
        told = desk.load(violin().asset_tag)
        assert "enough are loaded" in told.more
        assert desk.load(told.code, choice="extra").more == "Violin 1/2, as an extra."

    def test_a_better_tier_counts_as_a_substitute(self, desk, allotment, night):
        assert "instead of Violin 1/2" in desk.load(violin(tier="advanced").asset_tag).more
        assert queries.get_packing(night).along[0].stands_in

    def test_a_line_of_another_night_is_no_choice(self, desk, allotment, specialist):
        other = Desk(NightFactory(), specialist)
        told = other.load(violin().asset_tag, choice=f"line-{allotment.lines.get().pk}")
        assert told.words == "Not loaded"

    def test_nothing_is_loaded_for_a_night_called_off(self, desk, night, specialist):
        Night.objects.update(state="called_off", ended_at=NOW, ended_by=specialist)
        assert "called off" in desk.load(violin().asset_tag, choice="extra").more


class TestUnloading:
    @pytest.fixture
    def along(self, desk, allotment):
        unit = violin()
        desk.load(unit.asset_tag)
        return unit

    def test_puts_it_on_the_shelf_and_keeps_the_row(self, desk, along):
        told = desk.unload(along.asset_tag)
        assert (told.tone, told.words) == ("good", f"Back: {along.asset_tag}")
        assert place(along) == "shelf"
        assert NightUnit.objects.get().outcome == "back"
        assert "came off the van already" in desk.unload(along.asset_tag).more

    def test_may_go_to_another_shop(self, desk, along):
        north = LocationFactory(code="north", name="North shop")
        assert "to the shelf at North shop" in desk.unload(along.asset_tag, location=north).more
        assert inventory.get_whereabouts(along).custody.location == north

    def test_can_be_loaded_again(self, desk, along):
        desk.unload(along.asset_tag)
        assert desk.load(along.asset_tag).tone == "good"
        assert NightUnit.objects.count() == 2

    def test_says_what_went_to_a_family(self, desk, along, specialist):
        NightUnit.objects.update(outcome="given", ended_at=desk.now, ended_by=specialist)
        assert "given to a family at this night" in desk.unload(along.asset_tag).more

    def test_says_what_was_never_along(self, desk, along):
        assert "was not loaded for this night" in desk.unload(violin().asset_tag).more

    def test_what_is_missing_is_lost_until_it_turns_up(self, desk, along, night, specialist):
        later = desk.now + datetime.timedelta(minutes=1)
        nights_packing.mark_missing(night=night, instrument=along, acting_user=specialist, now=later)
        assert place(along) == "lost"
        assert queries.get_return(night).missing[0].loaded_by == specialist
        desk.now = later
        assert desk.unload(along.asset_tag).tone == "good"
        assert (place(along), NightUnit.objects.get().outcome) == ("shelf", "back")

    def test_what_was_missing_may_still_come_off_a_night_that_is_closed(self, desk, along, night, specialist):
        nights_packing.mark_missing(night=night, instrument=along, acting_user=specialist, now=desk.now)
        Night.objects.update(state="closed", opened_at=NOW, ended_at=desk.now, ended_by=specialist)
        assert desk.unload(along.asset_tag).tone == "good"
        with pytest.raises(NightOverError):
            nights_packing.load(night=night, instrument=along, acting_user=specialist, now=desk.now)

    def test_moved_by_hand_meanwhile_is_said(self, desk, along, night, specialist):
        later = desk.now + datetime.timedelta(seconds=5)
        move_instrument(
            instrument=along, place="bench", reason="A crack", location=night.location, acting_user=specialist, now=later
        )
        assert desk.unload(along.asset_tag).tone == "good"
        assert place(along) == "shelf"


class TestScreens:
    def url(self, name, night):
        return reverse(name, args=[night.pk])

    def test_scans_and_undoes(self, client_as, night, allotment):
        client, unit = client_as("technician"), violin()
        page = client.get(self.url("night_load", night))
        sent = {"code": unit.asset_tag, "key": page.context["key"]}
        answer = client.post(self.url("night_load", night), sent, headers={"HX-Request": "true"})
        assert "<h1>" not in answer.text
        assert f"Loaded: {unit.asset_tag}" in answer.text
        again = client.post(self.url("night_load", night), sent, headers={"HX-Request": "true"})
        assert f"Loaded: {unit.asset_tag}" in again.text
        undone = client.post(self.url("night_load_undo", night), {"tag": unit.asset_tag})
        assert f"Undone: {unit.asset_tag}" in undone.text
        assert place(unit) == "shelf"
        assert client.post(self.url("night_load_undo", night), {"tag": unit.asset_tag}).status_code == 409

    @pytest.mark.parametrize(("sent", "words"), [({}, "Nothing scanned"), ({"code": "FL-1", "key": "x"}, "Not read")])
    def test_what_cannot_be_read_is_said(self, client_as, night, sent, words):
        for name in ("night_load", "night_unload"):
            answer = client_as("technician").post(self.url(name, night), sent)
            assert answer.status_code == 422
            assert words in answer.text

    def test_packs_and_freezes_and_packs_on(self, client_as, night, allotment):
        client = client_as("specialist")
        for packed, frozen in (("yes", True), ("yes", True), ("no", False)):
            client.post(self.url("night_packed", night), {"packed": packed})
            assert bool(Allotment.objects.get().packed_at) is frozen
        assert client.post(self.url("night_packed", NightFactory()), {"packed": "yes"}).status_code == 302

    def test_shows_what_to_pick_kit_and_promises(self, client_as, night, allotment):
        unit = violin()
        programme = night.programmes.get()
        RequiredItemFactory(programme=programme, kind=kind("violin"), product=ProductFactory(name="Rosin"))
        agreement = rent(programme)
        UnitPromise.objects.create(agreement=agreement, night=night, item=unit.item, why="The van had none left", made_at=NOW)
        shown = client_as("technician").get(self.url("night_packing", night)).text
        for words in (unit.asset_tag, "1 short", "Rosin", "The van had none left", agreement.student.initials):
            assert words in shown
        assert agreement.household.name not in shown

    def test_marks_what_is_ticked_as_missing(self, client_as, night, allotment, desk):
        units = [violin(), violin()]
        for unit in units:
            desk.load(unit.asset_tag)
        client = client_as("technician")
        assert client.post(self.url("night_missing", night), {}).status_code == 302
        row = NightUnit.objects.get(instrument=units[0])
        client.post(self.url("night_missing", night), {"unit": [row.pk, "x", "99999999"]})
        shown = client.get(self.url("night_unload", night)).text
        assert [place(unit) for unit in units] == ["lost", "van"]
        assert "loaded by Sam Loads" in shown

    def test_prints_the_list(self, client_as, night, allotment):
        unit = violin()
        answer = client_as("technician").get(self.url("night_packing_list", night))
        assert answer["Content-Type"] == "application/pdf"
        shown = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(answer.content)).pages)
        assert f"Packing list, {night.school}" in shown
        assert unit.asset_tag in shown

    def test_asks_the_database_little_however_much_is_along(
        self, client_as, night, allotment, desk, django_assert_max_num_queries
    ):
        for _ in range(8):
            desk.load(violin().asset_tag, choice="extra")
        client = client_as(ManagerFactory())
        for name, most in (("night_packing", 20), ("night_load", 20), ("night_unload", 12)):
            with django_assert_max_num_queries(most):
                client.get(self.url(name, night))

    @pytest.mark.parametrize("name", ["night_packing", "night_load", "night_unload"])
    def test_is_not_the_bookkeepers(self, client_as, night, name):
        assert client_as("bookkeeper").get(self.url(name, night)).status_code == 403
