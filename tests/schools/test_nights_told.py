"""What directors told, in the arithmetic of an allotment: worked by hand, and properties that hold whatever was told."""

import datetime
import math
from dataclasses import replace
from decimal import Decimal

import psycopg
import pytest
from hypothesis import given
from hypothesis import strategies as st

from schools import nights_allotment, wishes
from schools.models import AllotmentFigure, KindExpected
from schools.nights_allotment import History, Settings
from schools.nights_rules import Basis, Counted
from schools.nights_told import Figure, make_plan, propose
from tests.factories import ManagerFactory
from tests.inventory.factories import kind
from tests.schools.factories import NightFactory, ProgrammeFactory

NOW = datetime.datetime(2026, 11, 20, 16, 0, tzinfo=datetime.UTC)
BASIS = Basis(families=40, weight=20, level=Decimal("0.9"), own_total=0, pooled_total=0)
COUNTS = [
    Counted("flute", "", 3, 12),
    Counted("clarinet", "", 8, 40),
    Counted("violin", "1/2", 2, 6),
    Counted("violin", "3/4", 1, 12),
    Counted("violin", "4/4", 0, 0),
]


def by_line(proposals):
    return {(line.counted.kind, line.counted.size): line for line in proposals}


class TestByHand:
    def test_takes_the_figure_as_the_count(self):
        lines = by_line(propose(COUNTS, BASIS, [Figure("flute", 9)]))
        assert (lines["flute", ""].whole, lines["flute", ""].quantity, lines["flute", ""].expected) == (9, 9, 9)
        # The other 31: own 8 of 11, pool 40 of 58 counted as 20: (8 + 13.79) / 31, that is 21.79 of 31.
        assert lines["clarinet", ""].expected == Decimal("21.79")

    def test_shares_a_kind_among_its_sizes(self):
        lines = by_line(propose(COUNTS, BASIS, [Figure("violin", 12)]))
        # Half size: (2 + 20 × 6/18) / (3 + 20) of 12, that is 8.67 / 23 × 12 = 4.52; three quarters: 14.33 / 23 × 12 = 7.48.
        half, three = lines["violin", "1/2"], lines["violin", "3/4"]
        assert (half.expected, three.expected) == (Decimal("4.52"), Decimal("7.48"))
        assert (half.whole, three.whole, lines["violin", "4/4"].quantity) == (5, 7, 0)
        # scipy 1.17.1, stats.nbinom.ppf(0.9, shape, 23 / 35): 8 for 26/3, 12 for 43/3.
        assert (half.quantity, three.quantity) == (8, 12)

    def test_brings_figures_down_to_the_families_expected(self):
        lines = by_line(propose(COUNTS, BASIS, [Figure("flute", 20), Figure("clarinet", 60)]))
        assert [lines[code, ""].quantity for code in ("flute", "clarinet")] == [10, 30]
        assert lines["violin", "1/2"].quantity == 0

    def test_is_the_least_where_only_some_told(self):
        mix, told = by_line(propose(COUNTS, BASIS)), by_line(propose(COUNTS, BASIS, [Figure("flute", 30, is_all=False)]))
        assert mix["flute", ""].quantity < 30 == told["flute", ""].quantity
        assert told["flute", ""].whole == mix["flute", ""].whole
        assert told["clarinet", ""] == mix["clarinet", ""]

    def test_takes_a_kind_that_was_never_counted(self):
        lines = by_line(propose([*COUNTS, Counted("tuba", "", 0, 0)], BASIS, [Figure("tuba", 2)]))
        assert lines["tuba", ""].quantity == 2


def cells():
    counted = st.integers(0, 12)
    names = [("flute", ""), ("clarinet", ""), ("violin", "1/2"), ("violin", "3/4"), ("cello", "1/2"), ("cello", "3/4")]
    return st.tuples(*(st.tuples(counted, counted) for _ in names)).map(
        lambda numbers: [Counted(*name, *pair) for name, pair in zip(names, numbers, strict=True)]
    )


def told():
    kinds = st.lists(st.sampled_from(["flute", "clarinet", "violin", "cello"]), unique=True, max_size=3)
    return kinds.flatmap(lambda names: st.tuples(*(st.builds(Figure, st.just(name), st.integers(1, 60)) for name in names)))


bases = st.builds(
    lambda families, weight, level: Basis(families, weight, Decimal(level), 0, 0),
    st.integers(1, 120),
    st.integers(0, 60),
    st.sampled_from(["0.5", "0.8", "0.9", "0.99"]),
)


class TestProperties:
    @given(cells(), bases, told())
    def test_adds_up_and_is_never_negative(self, counts, basis, figures):
        lines = propose(counts, basis, figures)
        plan = make_plan(counts, basis, figures)
        assert all(line.quantity >= 0 <= line.whole for line in lines)
        assert plan.counted_in_all == min(basis.families, sum(figure.count for figure in figures))
        for code, count in plan.told.items():
            mine = [line for line in lines if line.counted.kind == code]
            if any(line.share for line in mine):
                assert sum(line.whole for line in mine) == count
                assert all(line.quantity <= count for line in mine)
                assert sum(line.quantity for line in mine) >= count
        rest = [line for line in lines if line.counted.kind not in plan.told]
        left = basis.families - plan.counted_in_all
        assert sum(line.whole for line in rest) == (left if any(line.share for line in rest) else 0)

    @given(cells(), bases, told(), st.integers(1, 30))
    def test_one_more_told_never_takes_one_away_from_its_kind(self, counts, basis, figures, more):
        before = propose(counts, basis, figures)
        for told_one in figures:
            risen = [replace(each, count=each.count + more) if each is told_one else each for each in figures]
            for line, then in zip(before, propose(counts, basis, risen), strict=True):
                if line.counted.kind == told_one.kind:
                    assert then.quantity >= line.quantity
                else:
                    assert then.quantity <= line.quantity

    @given(cells(), bases, st.integers(1, 60))
    def test_the_least_only_ever_adds(self, counts, basis, count):
        floor = [Figure("violin", count, is_all=False)]
        for line, mixed in zip(propose(counts, basis, floor), propose(counts, basis), strict=True):
            assert line.quantity >= mixed.quantity
            assert line.whole == mixed.whole

    @given(cells(), bases)
    def test_without_a_figure_all_families_share_the_mix(self, counts, basis):
        lines = propose(counts, basis)
        shares = sum(line.share for line in lines)
        assert sum(line.whole for line in lines) == math.floor(shares) * basis.families
        assert shares in (0, 1)


@pytest.mark.django_db
class TestAllotment:
    HISTORY = History(
        own={("flute", ""): 3, ("violin", "1/2"): 2},
        pooled={("flute", ""): 12, ("clarinet", ""): 40},
        pool="the other schools of Prairie",
        counted_from=datetime.date(2023, 11, 20),
    )

    def propose(self, night, version=0, history=HISTORY):
        return nights_allotment.propose_allotment(
            night=night,
            history=history,
            settings=Settings(families=40),
            version=version,
            acting_user=ManagerFactory(),
            now=NOW,
        )

    def told(self, programme, code, count):
        return wishes.expect(programme=programme, kind=kind(code), count=count, acting_user=ManagerFactory())

    def test_keeps_what_was_told_with_the_proposal(self):
        programme = ProgrammeFactory(school__name="Alder School")
        self.told(programme, "flute", 9)
        allotment = self.propose(NightFactory(school=programme.school, programmes=[programme]))
        KindExpected.objects.update(count=15)
        figure = allotment.figures.get()
        assert (figure.count, figure.use, figure.told, figure.untold) == (9, "count", "Alder School Band: 9", "")
        assert figure.told_on is not None
        assert allotment.lines.get(kind="flute").quantity == 9
        self.propose(allotment.night, version=1)
        assert allotment.figures.get().count == allotment.lines.get(kind="flute").quantity == 15

    def test_an_orchestra_need_not_tell_of_the_band(self):
        band, orchestra = ProgrammeFactory(), ProgrammeFactory(kind="orchestra")
        self.told(band, "flute", 9)
        allotment = self.propose(NightFactory(school=band.school, programmes=[band, orchestra]))
        assert allotment.figures.get().use == "count"

    def test_another_band_that_did_not_tell_makes_it_the_least(self):
        band, other = ProgrammeFactory(), ProgrammeFactory(school__name="Birch School")
        self.told(band, "flute", 39)
        allotment = self.propose(NightFactory(school=band.school, programmes=[band, other]))
        figure = allotment.figures.get()
        assert (figure.use, figure.untold) == ("least", "Birch School Band")
        assert allotment.lines.get(kind="flute").quantity == 39

    def test_a_size_nobody_knows_is_not_made_up(self):
        orchestra = ProgrammeFactory(kind="orchestra")
        self.told(orchestra, "cello", 4)
        night = NightFactory(school=orchestra.school, programmes=[orchestra])
        allotment = self.propose(night)
        assert allotment.figures.get().use == "not"
        assert not allotment.lines.filter(kind="cello").exists()
        assert sum(line.whole for line in allotment.lines.all()) == 40
        wishes.set_usual_size(
            programme=orchestra, kind=kind("cello"), grade=orchestra.starting_grade, size="1/2", acting_user=ManagerFactory()
        )
        self.propose(night, version=1)
        line = allotment.lines.get(kind="cello")
        assert (allotment.figures.get().use, line.size, line.quantity) == ("count", "1/2", 4)


@pytest.mark.django_db(transaction=True)
class TestDatabase:
    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [("count = 0", "allotment_figure_told"), ("untold = 'x'", "allotment_figure_told_by_all")],
    )
    def test_refuses(self, app_cursor, changes, constraint):
        programme = ProgrammeFactory()
        KindExpected.objects.create(programme=programme, kind=kind("flute"), count=9)
        TestAllotment().propose(NightFactory(school=programme.school, programmes=[programme]))
        with pytest.raises(psycopg.errors.CheckViolation, match=constraint):
            app_cursor.execute(f"UPDATE schools_allotmentfigure SET {changes}")

    def test_keeps_what_was_packed(self, app_cursor):
        programme = ProgrammeFactory()
        KindExpected.objects.create(programme=programme, kind=kind("flute"), count=9)
        allotment = TestAllotment().propose(NightFactory(school=programme.school, programmes=[programme]))
        app_cursor.execute("UPDATE schools_allotment SET packed_at = now(), packed_by_id = %s", [allotment.proposed_by_id])
        with pytest.raises(psycopg.errors.CheckViolation, match="the van is packed"):
            app_cursor.execute("DELETE FROM schools_allotmentfigure")
        assert AllotmentFigure.objects.count() == 1
