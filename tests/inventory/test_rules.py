"""Sizes, tags and where an instrument may go."""

from decimal import Decimal

import pytest

from rentals.inventory import rules
from rentals.inventory.reference import kind_code_of, list_kinds, list_sizes, size_of


class TestProposeSize:
    # Least arm from the neck to the middle of the palm, inches: an instrument maker's educational article.
    @pytest.mark.parametrize(
        ("arm", "size"),
        [
            ("14.125", "1/16"),
            ("15.374", "1/16"),
            ("15.375", "1/10"),
            ("16.875", "1/8"),
            ("18.5", "1/4"),
            ("20.374", "1/4"),
            ("20.375", "1/2"),
            ("22.25", "3/4"),
            ("23.624", "3/4"),
            ("23.625", "4/4"),
            ("28", "4/4"),
        ],
    )
    def test_violin_by_arm(self, arm, size):
        assert rules.propose_size("violin", arm_inches=Decimal(arm)).size == size

    def test_below_the_smallest_it_says_so(self):
        proposal = rules.propose_size("violin", arm_inches=Decimal("13"))
        assert proposal.size == "1/16"
        assert "even the smallest size asks for 14.125 in" in proposal.reason
        assert proposal.smaller == ""

    def test_close_to_the_next_size_both_are_tried(self):
        proposal = rules.propose_size("violin", arm_inches=Decimal("22"))
        assert (proposal.size, proposal.larger) == ("1/2", "3/4")
        assert "makers differ by half an inch: try both" in proposal.reason

    def test_names_the_neighbours_and_lets_the_teacher_win(self):
        proposal = rules.propose_size("violin", arm_inches=Decimal("21"))
        assert (proposal.smaller, proposal.size, proposal.larger) == ("1/4", "1/2", "3/4")
        assert proposal.advice.startswith("The teacher's measurement wins")
        assert proposal.reason == "The arm measures 21 in; this size asks for at least 20.375 in, the next one for 22.25 in."

    # Ages: common practice, no source. Of two usual sizes the smaller.
    @pytest.mark.parametrize(
        ("kind", "age", "size"),
        [
            ("violin", 3, "1/16"),
            ("violin", 6, "1/8"),
            ("violin", 9, "1/2"),
            ("violin", 10, "3/4"),
            ("violin", 15, "4/4"),
            ("viola", 8, "12 in"),
            ("cello", 11, "1/2"),
            ("cello", 12, "3/4"),
            ("cello", 40, "4/4"),
            ("bass", 10, "1/4"),
            ("bass", 17, "3/4"),
            ("bass", 2, "1/8"),
        ],
    )
    def test_by_age(self, kind, age, size):
        assert rules.propose_size(kind, age=age).size == size

    def test_by_school_year_when_nothing_else_is_known(self):
        assert rules.propose_size("violin", grade=5).size == "3/4"
        assert rules.propose_size("double bass", grade=5).size == "1/4"

    def test_the_arm_outweighs_the_age(self):
        assert rules.propose_size("violin", arm_inches=Decimal("18.5"), age=12).size == "1/4"

    def test_cello_knows_no_arm_and_asks_the_age(self):
        assert rules.propose_size("cello", arm_inches=Decimal("22"), age=8).size == "1/2"

    def test_nothing_for_winds_or_when_nothing_is_known(self):
        assert rules.propose_size("flute", age=10) is None
        assert rules.propose_size("violin") is None

    def test_every_size_is_reached_or_only_named_as_a_neighbour(self):
        for kind in ("violin", "viola", "cello", "bass"):
            by_arm = {rules.propose_size(kind, arm_inches=row.arm_inches).size for row in list_sizes(kind) if row.arm_inches}
            assert by_arm == {row.size for row in list_sizes(kind) if row.arm_inches}


class TestNormaliseTag:
    @pytest.mark.parametrize(
        ("scanned", "tag"),
        [
            ("fl-1042", "FL-1042"),
            ("  FL-1042\r\n", "FL-1042"),
            ("FL 1042\t", "FL1042"),
            ("]C1FL-1042", "FL-1042"),
            ("]C0fl–1042", "FL-1042"),
            ("FL_1042", "FL-1042"),
            ("ＦＬ-1042", "FL-1042"),
            ("FL-1042\x1d", "FL-1042"),
            ("123", "123"),
        ],
    )
    def test_reads_what_scanners_and_people_write(self, scanned, tag):
        assert rules.normalise_tag(scanned) == tag

    @pytest.mark.parametrize("scanned", ["", "  ", "FL", "-FL1", "FL/1042", "A" * 21, "FL-1042;DROP"])
    def test_refuses_what_cannot_be_a_tag(self, scanned):
        with pytest.raises(rules.BadAssetTagError, match="cannot be an asset tag"):
            rules.normalise_tag(scanned)


class TestMayGo:
    def test_sold_is_the_end(self):
        assert not any(rules.may_go("sold", place) for place in rules.NEXT_PLACES)

    def test_a_new_one_goes_to_the_shelf_first(self):
        assert rules.may_go("", "shelf")
        assert not rules.may_go("", "family")

    def test_never_from_family_to_family(self):
        assert not rules.may_go("family", "family")
        assert rules.may_go("family", "bench")

    def test_every_place_is_known(self):
        from rentals.inventory.models import Custody

        assert set(rules.NEXT_PLACES) == {"", *Custody.Place.values}
        assert {place for places in rules.NEXT_PLACES.values() for place in places} <= set(Custody.Place.values)


class TestReference:
    def test_bowed_strings_alone_have_sizes(self):
        assert {kind.code for kind in list_kinds() if kind.has_sizes} == {"violin", "viola", "cello", "bass"}
        assert len(list_kinds()) == 21

    @pytest.mark.parametrize(
        ("written", "code"),
        [
            ("Alto Sax", "alto-saxophone"),
            ("FLUTES", "flute"),
            ("French horn", "horn"),
            ("double bass", "bass"),
            ("Baritone/Euphonium", "euphonium"),
            ("kazoo", None),
            ("", None),
        ],
    )
    def test_kinds_as_people_write_them(self, written, code):
        assert kind_code_of(written) == code

    @pytest.mark.parametrize(
        ("kind", "written", "size"),
        [
            ("violin", "½", "1/2"),
            ("violin", "Full", "4/4"),
            ("violin", " 3 / 4 size", "3/4"),
            ("viola", '15 1/2"', "15.5 in"),
            ("viola", "15½", "15.5 in"),
            ("viola", "14", "14 in"),
            ("viola", "3/4", None),
            ("cello", "7/8", "7/8"),
            ("flute", "1/2", None),
        ],
    )
    def test_sizes_as_people_write_them(self, kind, written, size):
        assert size_of(kind, written) == size
