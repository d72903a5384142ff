"""The allotment of a night: proposed, changed by hand, frozen once packed; and what the shelves have for a week of nights."""

import datetime
from decimal import Decimal

import psycopg
import pytest

from rentals.inventory.models import Custody
from schools import nights_allotment
from schools.models import Allotment, AllotmentLine, ApprovedItem, Night
from schools.nights_allotment import History, Settings
from schools.nights_rules import BadLevelError
from schools.nights_stock import get_stock
from tests.factories import ManagerFactory
from tests.inventory.factories import CatalogueItemFactory, HoldFactory, InstrumentFactory, LocationFactory, ProductFactory, kind
from tests.schools.factories import NightFactory, NightUnitFactory, ProgrammeFactory, RequiredItemFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 11, 20, 16, 0, tzinfo=datetime.UTC)
COUNTED = History(
    own={("flute", ""): 3, ("clarinet", ""): 8, ("trumpet", ""): 3},
    pooled={("flute", ""): 12, ("clarinet", ""): 40, ("trumpet", ""): 26, ("oboe", ""): 2},
    pool="the other schools of Prairie",
    counted_from=datetime.date(2023, 11, 20),
)


@pytest.fixture
def manager():
    return ManagerFactory()


@pytest.fixture
def night():
    return NightFactory()


def propose(night, manager, version=0, history=COUNTED, **settings):
    settings.setdefault("families", 40)
    return nights_allotment.propose_allotment(
        night=night, history=history, settings=Settings(**settings), version=version, acting_user=manager, now=NOW
    )


def quantities(allotment):
    return {line.kind_id: line.quantity for line in allotment.lines.all()}


def only(kind_code, count, size=""):
    """A history from which, with one family expected at a time, nothing but this is asked for."""
    return History(own={(kind_code, size): count}, pooled={}, pool="", counted_from=datetime.date(2023, 1, 1))


class TestPropose:
    def test_keeps_what_it_went_by(self, night, manager):
        allotment = propose(night, manager)
        assert (allotment.own_total, allotment.pooled_total, allotment.weight) == (14, 80, 20)
        assert quantities(allotment) == {"flute": 12, "clarinet": 30, "trumpet": 18, "oboe": 2}
        assert sum(line.whole for line in allotment.lines.all()) == 40

    def test_takes_the_level_from_what_mistakes_cost(self, night, manager):
        allotment = propose(night, manager, short_cost=Decimal(40), spare_cost=Decimal(15))
        assert allotment.level == Decimal("0.727")
        assert quantities(allotment)["flute"] < 12

    def test_refuses_a_level_that_is_none(self, night, manager):
        with pytest.raises(BadLevelError):
            propose(night, manager, level=Decimal("0.3"))

    def test_anew_keeps_what_was_changed_by_hand(self, night, manager):
        first = propose(night, manager)
        flute = first.lines.get(kind="flute")
        changed = nights_allotment.change_quantities(
            allotment=first, version=1, quantities={flute.pk: 5}, acting_user=manager, now=NOW
        )
        second = propose(night, manager, version=changed.version, families=80)
        flute.refresh_from_db()
        assert (flute.quantity, flute.changed_by) == (5, manager)
        assert flute.proposed > 12
        assert quantities(second)["clarinet"] > 30

    def test_refuses_one_that_moved_on(self, night, manager):
        propose(night, manager)
        with pytest.raises(nights_allotment.AllotmentChangedError):
            propose(night, manager)

    def test_what_is_no_longer_counted_is_none(self, night, manager):
        propose(night, manager)
        again = propose(night, manager, version=1, history=only("flute", 4))
        assert quantities(again)["clarinet"] == 0

    def test_without_history_is_empty(self, night, manager):
        empty = History(own={}, pooled={}, pool="", counted_from=NOW.date())
        assert propose(night, manager, history=empty).lines.count() == 0


class TestByHand:
    def test_says_who_and_when_and_forgets_it_when_set_back(self, night, manager):
        allotment = propose(night, manager)
        line = allotment.lines.get(kind="oboe")
        for version, wanted, by in ((1, 4, manager), (2, line.proposed, None)):
            nights_allotment.change_quantities(
                allotment=allotment, version=version, quantities={line.pk: wanted}, acting_user=manager, now=NOW
            )
            line.refresh_from_db()
            assert (line.quantity, line.changed_by) == (wanted, by)

    def test_lines_of_another_night_stay(self, night, manager):
        mine, other = propose(night, manager), propose(NightFactory(), manager)
        line = other.lines.first()
        nights_allotment.change_quantities(allotment=mine, version=1, quantities={line.pk: 99}, acting_user=manager, now=NOW)
        line.refresh_from_db()
        assert line.quantity != 99

    def test_adds_a_kind_once(self, night, manager):
        allotment = propose(night, manager)
        given = {"kind": kind("bassoon"), "size": "", "quantity": 2, "acting_user": manager, "now": NOW}
        nights_allotment.add_line(allotment=allotment, version=1, **given)
        with pytest.raises(nights_allotment.LineExistsError, match="Bassoon is on the list already"):
            nights_allotment.add_line(allotment=allotment, version=2, **given)

    def test_is_over_once_packed(self, night, manager):
        allotment = propose(night, manager)
        Allotment.objects.update(packed_at=NOW, packed_by=manager)
        line = AllotmentLine.objects.first()
        with pytest.raises(nights_allotment.AllotmentPackedError):
            nights_allotment.change_quantities(
                allotment=allotment, version=1, quantities={line.pk: 1}, acting_user=manager, now=NOW
            )

    def test_is_over_with_the_night(self, night, manager):
        from schools.nights import NightOverError

        allotment = propose(night, manager)
        Night.objects.update(state="closed", opened_at=NOW, ended_at=NOW, ended_by=manager)
        with pytest.raises(NightOverError):
            nights_allotment.change_quantities(allotment=allotment, version=1, quantities={}, acting_user=manager, now=NOW)


class TestKit:
    def test_counts_the_longer_list_for_every_family(self, night, manager):
        reeds = ProductFactory(name="Reeds")
        programme = night.programmes.get()
        RequiredItemFactory(programme=programme, kind=kind("clarinet"), product=reeds, quantity=2)
        lines = nights_allotment.list_lines(propose(night, manager))
        whole = next(line.whole for line in lines if line.kind_id == "clarinet")
        assert nights_allotment.list_kit(lines, [programme]) == [("Reeds", 2 * whole)]


class TestStock:
    @pytest.fixture
    def item(self):
        return CatalogueItemFactory(kind_code="violin", size="1/2")

    def need(self, night, manager, wanted, history=None, size="1/2"):
        allotment = propose(night, manager, history=history or only("violin", 3, size))
        line = allotment.lines.get()
        nights_allotment.change_quantities(
            allotment=allotment, version=1, quantities={line.pk: wanted}, acting_user=manager, now=NOW
        )
        return get_stock(Allotment.objects.get(pk=allotment.pk)).needs[0]

    def violin(self, item, days=10, **facts):
        facts.setdefault("last_cleaned_on", datetime.date(2026, 6, 1))
        return InstrumentFactory(item=item, place__began_at=NOW - datetime.timedelta(days=days), **facts)

    def test_picks_the_longest_idle_first(self, night, manager, item):
        young, old = self.violin(item, 5), self.violin(item, 50)
        need = self.need(night, manager, 2)
        assert (need.picks, need.short) == ([old, young], 0)

    def test_names_the_next_best_of_what_is_short(self, night, manager, item):
        due = self.violin(item, last_cleaned_on=datetime.date(2025, 6, 1))
        poor, held = self.violin(item, grade="poor"), HoldFactory(instrument=self.violin(item)).instrument
        away = self.violin(item, place__location=LocationFactory(code="north", name="North shop"))
        better = self.violin(CatalogueItemFactory(kind_code="violin", size="1/2", tier="advanced"))
        smaller = self.violin(CatalogueItemFactory(kind_code="violin", size="1/4"))
        need = self.need(night, manager, 2)
        assert need.short == 2
        assert {way.words: way.units for way in need.ways} == {
            "Better tier, here": [better],
            "Here, after its cleaning": [due],
            "Fetch from North shop": [away],
            "Size 1/4, here": [smaller],
            "Here but held for somebody": [held],
            "Here but in poor condition: the bench first": [poor],
        }

    def test_takes_approved_models_first_and_others_only_as_next_best(self, night, manager, item):
        listed = CatalogueItemFactory(kind_code="violin", size="1/2")
        ApprovedItem.objects.create(programme=night.programmes.get(), item=listed)
        other, approved = self.violin(item, 50), self.violin(listed, 5)
        due = self.violin(item, last_cleaned_on=datetime.date(2025, 6, 1))
        away = self.violin(item, place__location=LocationFactory(code="north", name="North shop"))
        smaller = self.violin(CatalogueItemFactory(kind_code="violin", size="1/4"))
        need = self.need(night, manager, 2)
        assert (need.picks, need.short) == ([approved], 1)
        assert [(way.words, way.units) for way in need.ways] == [
            ("Here, but of a model no director approves", [other]),
            ("Here after its cleaning, but of a model no director approves", [due]),
            ("Fetch from North shop, but of a model no director approves", [away]),
            ("Size 1/4, here", [smaller]),
        ]
        assert all(way.off_list == {way.units[0].pk} for way in need.ways)

    def test_takes_first_what_more_directors_approve(self, night, manager, item):
        second = ProgrammeFactory(kind="orchestra")
        night.programmes.add(second)
        both = CatalogueItemFactory(kind_code="violin", size="1/2")
        for programme in night.programmes.all():
            ApprovedItem.objects.create(programme=programme, item=both)
        ApprovedItem.objects.create(programme=second, item=item)
        one, two = self.violin(item, 50), self.violin(both, 5)
        assert self.need(night, manager, 2).picks == [two, one]

    def test_a_list_of_another_kind_or_night_says_nothing(self, night, manager, item):
        ApprovedItem.objects.create(programme=night.programmes.get(), item=CatalogueItemFactory(kind_code="cello", size="1/2"))
        ApprovedItem.objects.create(programme=ProgrammeFactory(), item=CatalogueItemFactory(kind_code="violin", size="1/2"))
        unit = self.violin(item)
        assert self.need(night, manager, 1).picks == [unit]

    def test_counts_nothing_for_two_nights_of_a_week(self, manager, item):
        earlier, later = (NightFactory(on=datetime.date(2026, 11, day)) for day in (29, 30))
        first, second = self.violin(item, 50), self.violin(item, 40)
        late = self.need(later, manager, 2)
        assert late.picks == [first, second]
        assert self.need(earlier, manager, 1).picks == [first]
        stock = get_stock(later.allotment)
        assert (stock.needs[0].picks, stock.needs[0].short) == ([second], 1)
        assert stock.others == [(earlier, 1)]

    def test_a_night_of_another_week_takes_nothing_away(self, manager, item):
        self.violin(item)
        self.need(NightFactory(on=datetime.date(2026, 11, 10)), manager, 1)
        assert self.need(NightFactory(), manager, 1).short == 0

    def test_counts_what_is_loaded(self, night, manager, item):
        self.need(night, manager, 2)
        line = AllotmentLine.objects.get()
        unit = self.violin(item, place="van")
        NightUnitFactory(night=night, instrument=unit, line=line)
        need = get_stock(night.allotment).needs[0]
        assert (need.loaded, need.to_load, need.short) == (1, 1, 1)

    def test_asks_the_database_little_however_many_nights(self, manager, item, django_assert_max_num_queries):
        for day in range(25, 31):
            self.violin(item)
            self.need(NightFactory(on=datetime.date(2026, 11, day)), manager, 1)
        allotment = Allotment.objects.first()
        with django_assert_max_num_queries(11):
            get_stock(allotment)

    def test_leaves_out_what_is_not_on_a_shelf(self, night, manager, item):
        self.violin(item, place=Custody.Place.BENCH)
        assert self.need(night, manager, 1).short == 1


@pytest.mark.django_db(transaction=True)
class TestDatabase:
    @pytest.fixture
    def allotment(self):
        return propose(NightFactory(), ManagerFactory())

    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ("level = 0.4", "allotment_level_sane"),
            ("families = 0", "allotment_families_sane"),
            ("weight = 1001", "allotment_weight_sane"),
            ("short_cost = 5", "allotment_costs_both_or_none"),
            ("packed_at = now()", "allotment_packed_by_someone"),
        ],
    )
    def test_refuses_an_allotment(self, app_cursor, allotment, changes, constraint):
        with pytest.raises(psycopg.errors.CheckViolation, match=constraint):
            app_cursor.execute(f"UPDATE schools_allotment SET {changes}")

    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ("quantity = proposed + 1", "allotment_line_changed_by_hand"),
            ("changed_at = now()", "allotment_line_changed_by_someone"),
            ("quantity = 2001, proposed = 2001", "allotment_line_sane"),
        ],
    )
    def test_refuses_a_line(self, app_cursor, allotment, changes, constraint):
        with pytest.raises(psycopg.errors.CheckViolation, match=constraint):
            app_cursor.execute(f"UPDATE schools_allotmentline SET {changes}")

    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE schools_allotmentline SET proposed = 1, quantity = 1",
            "DELETE FROM schools_allotmentline",
            "INSERT INTO schools_allotmentline (allotment_id, kind_id, size, own, pooled, expected, whole, proposed, quantity) "
            "SELECT id, 'bassoon', '', 0, 0, 0, 0, 0, 0 FROM schools_allotment",
            "UPDATE schools_allotment SET families = 7",
        ],
    )
    def test_keeps_what_was_packed(self, app_cursor, allotment, statement):
        app_cursor.execute("UPDATE schools_allotment SET packed_at = now(), packed_by_id = %s", [allotment.proposed_by_id])
        with pytest.raises(psycopg.errors.CheckViolation, match="the van is packed"):
            app_cursor.execute(statement)
        app_cursor.execute("UPDATE schools_allotment SET packed_at = NULL, packed_by_id = NULL")
        app_cursor.execute(statement)
