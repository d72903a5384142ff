"""Stock counts: verdicts at the scan, and what is expected, missing and explained while instruments move."""

from uuid import uuid4

import pytest

from rentals.inventory.count_rules import Standing
from rentals.inventory.models import CountScan
from rentals.inventory.operations import counts, move_by_hand, move_instrument
from rentals.inventory.operations.count_errors import CountAlreadyOpenError, CountClosedError, DifferencesLeftError
from rentals.inventory.operations.counts import ScanSent
from rentals.inventory.queries.counts import reconcile
from tests.factories import TechnicianFactory, UserFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.count_cases import OPENED, minutes, opened, scan, words
from tests.inventory.factories import InstrumentFactory, LocationFactory

pytestmark = pytest.mark.django_db


def move(unit, place, at, **keeper):
    return move_instrument(
        instrument=unit, place=place, reason="Moved", acting_user=TechnicianFactory(), now=minutes(at), **keeper
    )


def standings(count, at=60):
    compared = reconcile(count, minutes(at))
    every = [*compared.missing, *compared.unexpected, *compared.explained]
    return {each.instrument_id or each.code: each.difference or each.standing.value for each in every}


class TestVerdicts:
    def test_each_place_of_the_books_has_its_own(self):
        count = opened()
        InstrumentFactory(asset_tag="FL-1")
        InstrumentFactory(asset_tag="FL-2", place="bench")
        InstrumentFactory(asset_tag="FL-3", place__location=LocationFactory(code="north", name="North shop"))
        InstrumentFactory(asset_tag="FL-4", place="family", place__household=HouseholdFactory())
        for number, place in enumerate(("lost", "sold", "retired", "nowhere"), 5):
            InstrumentFactory(asset_tag=f"FL-{number}", place=place)
        told = scan(count, *(f"FL-{number}" for number in range(1, 10)))
        assert words(told) == ["ok", "ok", "elsewhere", "family", "lost", "sold", "retired", "nowhere", "unknown"]
        assert told[2].text == "It is kept at North shop. Set it aside; the review asks where it stays."

    def test_no_family_is_named(self):
        household = HouseholdFactory(name="The Quill family")
        InstrumentFactory(asset_tag="FL-4", place="family", place__household=household)
        (told,) = scan(opened(), "FL-4")
        assert "Quill" not in told.text + told.item + told.word

    @pytest.mark.parametrize(
        "code", ["fl-1042", "]C1FL-1042\r\n", "FL–1042\t", "https://office.example/scan/?code=FL-1042", "s 77/3"]
    )
    def test_reads_the_code_however_it_comes(self, code):
        InstrumentFactory(asset_tag="FL-1042", serial_number="S 77/3")
        (told,) = scan(opened(), code)
        assert (told.verdict, told.code) == ("ok", "FL-1042")

    def test_a_serial_number_of_two_is_unclear(self):
        InstrumentFactory(serial_number="77"), InstrumentFactory(serial_number="77")
        assert words(scan(opened(), "77")) == ["unclear"]

    def test_a_kind_that_is_not_counted(self):
        InstrumentFactory(asset_tag="FL-1", item__kind_code="flute"), InstrumentFactory(asset_tag="CL-1")
        assert words(scan(opened(kinds=("flute",)), "FL-1", "CL-1")) == ["ok", "other_kind"]


class TestTakeScans:
    def test_one_scan_sent_again_is_one(self):
        count, key = opened(), uuid4()
        InstrumentFactory(asset_tag="FL-1")
        assert words(scan(count, "FL-1", ids=[key])) == words(scan(count, "FL-1", at=9, ids=[key])) == ["ok"]
        assert CountScan.objects.count() == 1

    def test_a_second_scan_says_by_whom_it_was_counted(self):
        count = opened()
        InstrumentFactory(asset_tag="FL-1")
        scan(count, "FL-1", "NO-SUCH", user=UserFactory(name="Rosa Delgado"))
        told = scan(count, "FL-1", "NO-SUCH", at=5)
        assert words(told) == ["already", "already"]
        assert told[0].more == "By Rosa Delgado, Nov 24, 2026, 9:01 AM."
        assert CountScan.objects.count() == 2

    def test_the_same_label_within_three_seconds_is_one_event(self):
        count = opened()
        InstrumentFactory(asset_tag="FL-1")
        assert words(scan(count, "FL-1", "FL-1", device="a")) == ["ok", "ok"]
        assert words(scan(count, "FL-1", at=1 + 2.9 / 60, device="a")) == ["ok"]
        assert words(scan(count, "FL-1", at=1 + 2.9 / 60, device="b")) == ["already"]
        assert words(scan(count, "FL-1", at=1 + 3.1 / 60, device="a")) == ["already"]

    def test_a_scan_that_comes_late_is_judged_by_when_it_was_made(self):
        count, unit = opened(), InstrumentFactory(asset_tag="FL-1")
        move(unit, "family", 10, household=HouseholdFactory())
        sent = [ScanSent(uuid4(), "FL-1", 15 * 60)]
        told = counts.take_scans(count=count, scans=sent, acting_user=TechnicianFactory(), now=minutes(20))
        assert words(told) == ["ok"]
        assert CountScan.objects.get().scanned_at == minutes(5)

    def test_a_clock_far_off_is_held_to_the_opening(self):
        count = opened()
        InstrumentFactory(asset_tag="FL-1")
        counts.take_scans(count=count, scans=[ScanSent(uuid4(), "FL-1", 10**7)], acting_user=TechnicianFactory(), now=minutes(1))
        assert CountScan.objects.get().scanned_at == OPENED

    def test_a_closed_count_takes_none(self):
        count = opened()
        counts.close_count(count=count, acting_user=TechnicianFactory(), now=minutes(1))
        with pytest.raises(CountClosedError, match="closed by"):
            scan(count, "FL-1", at=2)

    def test_undone_it_may_be_scanned_again_and_the_old_one_stays_undone(self):
        count, key = opened(), uuid4()
        InstrumentFactory(asset_tag="FL-1")
        scan(count, "FL-1", ids=[key])
        for at in (2, 3):
            undone = counts.undo_scan(count=count, client_id=key, acting_user=TechnicianFactory(), now=minutes(at))
            assert undone.undone_at == minutes(2)
        assert words(scan(count, "FL-1", at=4, ids=[key])) == ["undone"]
        assert words(scan(count, "FL-1", at=5)) == ["ok"]


class TestReconcile:
    def test_what_stood_here_all_through_and_was_not_scanned_is_missing(self):
        seen, unseen = InstrumentFactory(), InstrumentFactory(place="bench")
        count = opened()
        scan(count, seen.asset_tag)
        assert standings(count) == {unseen.pk: "missing"}
        assert (reconcile(count, minutes(9)).expected, reconcile(count, minutes(9)).found) == (2, 1)

    def test_what_left_by_a_known_move_is_not_missing(self):
        unit = InstrumentFactory()
        count = opened()
        move(unit, "family", 10, household=HouseholdFactory())
        assert standings(count, at=5) == {unit.pk: "missing"}
        assert standings(count) == {unit.pk: "left"}

    def test_what_came_in_since_is_asked_of_nobody(self):
        unit = InstrumentFactory(place="family", place__household=HouseholdFactory())
        count = opened()
        move(unit, "shelf", 10, location=LocationFactory())
        assert standings(count) == {unit.pk: "came"}
        scan(count, unit.asset_tag, at=20)
        assert standings(count) == {}

    def test_out_and_in_again_was_in_somebodys_hands(self):
        unit = InstrumentFactory()
        count = opened()
        move(unit, "family", 10, household=HouseholdFactory())
        move(unit, "shelf", 20, location=LocationFactory())
        assert standings(count) == {unit.pk: "came"}

    def test_scanned_and_then_gone_was_found(self):
        unit = InstrumentFactory()
        count = opened()
        scan(count, unit.asset_tag)
        move(unit, "family", 10, household=HouseholdFactory())
        assert standings(count) == {}
        assert reconcile(count, minutes(60)).found == 1

    def test_scanned_against_the_books_is_unexpected_until_a_move_explains_it(self):
        unit = InstrumentFactory(place="family", place__household=HouseholdFactory())
        count = opened()
        scan(count, unit.asset_tag)
        assert standings(count, at=5) == {unit.pk: "family"}
        move(unit, "shelf", 10, location=LocationFactory())
        assert standings(count) == {unit.pk: "booked"}
        move(unit, "lost", 20)
        assert standings(count) == {unit.pk: "moved_on"}

    def test_only_the_kinds_that_are_counted_are_expected(self):
        flute, clarinet = InstrumentFactory(item__kind_code="flute"), InstrumentFactory()
        count = opened(kinds=("flute",))
        assert standings(count) == {flute.pk: "missing"}
        scan(count, clarinet.asset_tag)
        assert standings(count) == {flute.pk: "missing", clarinet.pk: "not_asked"}

    def test_an_unknown_code_is_explained_once_it_is_a_tag_of_the_fleet(self):
        count = opened()
        scan(count, "NEW-1")
        assert standings(count) == {"NEW-1": "unknown"}
        unit = InstrumentFactory(asset_tag="NEW-1", place__began_at=minutes(5))
        found = reconcile(count, minutes(9)).explained
        assert [(each.instrument_id, each.code, each.standing) for each in found if each.code] == [
            (unit.pk, "NEW-1", Standing.BOOKED_SINCE)
        ]

    def test_a_scan_taken_back_counts_for_nothing(self):
        count, unit, key = opened(), InstrumentFactory(), uuid4()
        scan(count, unit.asset_tag, ids=[key])
        counts.undo_scan(count=count, client_id=key, acting_user=TechnicianFactory(), now=minutes(2))
        assert standings(count) == {unit.pk: "missing"}

    def test_a_closed_count_stays_as_it_was_closed(self):
        unit = InstrumentFactory()
        count = opened()
        counts.close_count(count=count, acting_user=TechnicianFactory(), now=minutes(5), leave_rest="Looked everywhere")
        before = vars(reconcile(count))
        move_by_hand(instrument=unit, place="lost", reason="Gone", acting_user=TechnicianFactory(), now=minutes(30))
        count.refresh_from_db()
        assert vars(reconcile(count)) | {"count": None} == before | {"count": None} | {"at": count.closed_at}
        assert (count.expected, count.found, count.missing, count.unexpected) == (1, 0, 1, 0)


class TestOpenCount:
    def test_a_shop_has_one_open_count_and_is_told_whom_to_join(self):
        opened(user=UserFactory(name="Theo Okafor"))
        with pytest.raises(CountAlreadyOpenError, match=r"counted already, by Theo Okafor\. Join"):
            opened()
        assert opened("north").is_open

    def test_the_same_form_sent_again_opens_no_other(self):
        key, user = uuid4(), TechnicianFactory()
        facts = {"location": LocationFactory(), "acting_user": user, "now": OPENED, "request_key": key}
        assert counts.open_count(**facts) == counts.open_count(**facts)


class TestCloseCount:
    def test_waits_for_every_difference(self):
        InstrumentFactory()
        count = opened()
        scan(count, "NO-SUCH")
        with pytest.raises(DifferencesLeftError, match="2 differences wait"):
            counts.close_count(count=count, acting_user=TechnicianFactory(), now=minutes(5))

    def test_called_off_concludes_nothing(self):
        InstrumentFactory()
        count = opened()
        ended = counts.call_off_count(count=count, reason="Forgotten", acting_user=TechnicianFactory(), now=minutes(5))
        assert (ended.outcome, ended.missing, ended.settlements.count()) == ("called_off", 1, 0)
