"""Tablets of one evening do not wait for one another, and no invariant is lost: each with a twin without its lock."""

import json
import re
import threading

import pytest
from django.utils import timezone

from rentals.agreements.models import NightSignUp
from rentals.counter.nights.board import closing
from rentals.counter.nights.intake import operations, people, signing
from rentals.counter.nights.intake.envelope import read_envelope
from rentals.documents.models import Document
from rentals.families.models import Household
from rentals.runtime.locks import RowsBusyError
from schools.models import Night
from tests.counter.nights.tablets import ADULT, CHILD, FAMILY, Tablet, open_night
from tests.families.factories import HouseholdFactory, StudentFactory

pytestmark = pytest.mark.django_db(transaction=True)
SOON = 0.5
OTHER = {
    "household": {**FAMILY, "name": "Other", "street": "2 Elm"},
    "guardian": {**ADULT, "family_name": "Other", "phone": "+13125550143", "email": ""},
}


@pytest.fixture
def night():
    """A night under way, its instruments unloaded but for one."""
    found = open_night("CL-1", "CL-2")
    found.state, found.opened_at = Night.State.OPEN, timezone.now()
    found.save()
    return found


def sender(night, sent):
    now, person = timezone.now(), night.staff.get().user
    return lambda: operations.take_in(envelope=read_envelope(sent), night=night, acting_user=person, now=now, today=night.on)


def together(monkeypatch, module, name, *, before):
    """Let two threads meet at a function, before it or after it; who comes alone goes on after a while. Gives who met."""
    gate, met, real = threading.Barrier(2), [], getattr(module, name)

    def meet():
        try:
            gate.wait(timeout=SOON)
            met.append(True)
        except threading.BrokenBarrierError:
            met.append(False)

    def patched(*words, **named):
        if before:
            meet()
        result = real(*words, **named)
        if not before:
            meet()
        return result

    monkeypatch.setattr(module, name, patched)
    return met


def locked_as_before(monkeypatch):
    monkeypatch.setattr(operations.locks, "share_one", operations.locks.lock_one)


class TestTabletsDoNotWait:
    def test_two_families_are_signed_up_at_the_same_moment(self, race, night, monkeypatch):
        met = together(monkeypatch, operations, "sign", before=True)
        both = race(sender(night, Tablet(night).envelope("CL-1")), sender(night, Tablet(night).envelope("CL-2", **OTHER)))
        assert met == [True, True]
        assert [row.state for row in both] == ["arrived", "arrived"]

    def test_with_the_night_locked_one_waits_for_the_other(self, race, night, monkeypatch):
        locked_as_before(monkeypatch)
        met = together(monkeypatch, operations, "sign", before=True)
        race(sender(night, Tablet(night).envelope("CL-1")), sender(night, Tablet(night).envelope("CL-2", **OTHER)))
        assert True not in met

    def test_the_first_of_all_opens_the_night_once(self, race, night):
        Night.objects.filter(pk=night.pk).update(state="planned", opened_at=None)
        race(sender(night, Tablet(night).envelope("CL-1")), sender(night, Tablet(night).envelope("CL-2", **OTHER)))
        night.refresh_from_db()
        assert (night.state, NightSignUp.objects.filter(state="arrived").count()) == ("open", 2)


class TestClosing:
    @pytest.fixture
    def evening(self, night, monkeypatch):
        """A sign-up is on its way and stops in the middle; the night is closed meanwhile. Gives what its sheet counts."""
        sent = Tablet(night).envelope(None)
        for unit in night.units.all():
            unit.ended_at, unit.ended_by, unit.outcome = timezone.now(), unit.loaded_by, "back"
            unit.save()

        def run(race):
            inside, go_on = threading.Event(), threading.Event()
            real = signing.sign

            def slow(*words, **named):
                made = real(*words, **named)
                inside.set()
                go_on.wait(SOON)
                return made

            monkeypatch.setattr(operations, "sign", slow)

            def close():
                inside.wait(20)
                words = {"night": night, "note": "Seen", "acting_user": night.staff.get().user, "now": timezone.now()}
                try:
                    return closing.close_night(**words)
                finally:
                    go_on.set()

            row, document = race(sender(night, sent), close)
            assert (row.state, type(document)) == ("arrived", Document), (row, document)
            (counted,) = set(re.findall(r'"Agreements", "(\d+)"', json.dumps(document.payload)))
            return counted

        return run

    def test_waits_for_what_is_on_its_way_and_counts_it(self, race, evening):
        assert evening(race) == "1"

    def test_without_the_share_the_sheet_is_closed_over_it(self, race, evening, monkeypatch):
        monkeypatch.setattr(operations.locks, "share_one", lambda rows: rows.get())
        assert evening(race) == "0"


class TestOneFamily:
    def children(self, night):
        return [sender(night, Tablet(night).envelope(None, student={**CHILD, "given_name": name})) for name in ("Sky", "Rain")]

    def test_two_children_at_two_tablets_are_of_one_family(self, race, night, monkeypatch):
        together(monkeypatch, people, "find_same_household", before=False)
        assert [row.state for row in race(*self.children(night))] == ["arrived", "arrived"]
        home = Household.objects.get()
        assert (home.students.count(), home.guardians.count()) == (2, 1)

    def test_without_the_lock_the_family_is_written_down_twice(self, race, night, monkeypatch):
        monkeypatch.setattr(people.locks, "lock_name", lambda name: None)
        together(monkeypatch, people, "find_same_household", before=False)
        race(*self.children(night))
        assert Household.objects.count() == 2


class TestOneStudent:
    @pytest.fixture
    def twice(self, night):
        """One student of a family that is written down, signed up for a clarinet at two tablets."""
        programme, home = night.programmes.get(), HouseholdFactory(name="Lindqvist")
        adult, child = home.guardians.get(), StudentFactory(household=home, programme=programme)
        known = {"household": {"id": home.pk}, "guardian": {"id": adult.pk}, "student": {"id": child.pk}}
        return [sender(night, Tablet(night).envelope(tag, **known)) for tag in ("CL-1", "CL-2")]

    def test_has_one_agreement_and_one_question(self, race, twice, monkeypatch):
        together(monkeypatch, signing, "_check_once", before=False)
        rows = race(*twice)
        assert sorted(row.reason for row in rows if isinstance(row, NightSignUp)) == ["", "twice"], rows

    def test_without_the_familys_lock_both_are_signed(self, race, twice, monkeypatch):
        monkeypatch.setattr(people, "_lock", lambda pk: Household.objects.get(pk=pk))
        together(monkeypatch, signing, "_check_once", before=False)
        rows = [row for row in race(*twice) if not isinstance(row, RowsBusyError)]
        assert [row.reason for row in rows] == ["", ""], rows
