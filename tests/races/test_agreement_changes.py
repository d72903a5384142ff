"""Two people at one agreement at the same moment: one change is made, the other person hears of it."""

import datetime
import threading
import uuid

import pytest

from rentals.agreements import life
from rentals.agreements.changes import holds, terms
from rentals.agreements.life import AgreementMovedOnError, Sent
from rentals.agreements.models import LifeEvent
from rentals.runtime import locks
from tests.agreements.factories import AgreementFactory, OfficeFactory
from tests.factories import ManagerFactory, SpecialistFactory

NOW = datetime.datetime(2026, 2, 10, 17, 0, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 2, 10)


@pytest.fixture
def agreement(transactional_db):
    OfficeFactory()
    return AgreementFactory()


def changer(agreement, due_day, sent):
    user = SpecialistFactory()

    def change():
        return terms.change_due_day(
            agreement=agreement, due_day=due_day, from_period=1, sent=sent, acting_user=user, now=NOW, today=TODAY
        )

    return change


class TestTwoPeopleAtOneAgreement:
    def test_one_change_is_made_and_the_other_is_told(self, agreement, race):
        seen = life.last_seen(agreement)
        outcomes = race(*(changer(agreement, day, Sent(uuid.uuid4(), seen, "Alex Sample")) for day in (10, 20)))
        assert {type(outcome) for outcome in outcomes} == {LifeEvent, AgreementMovedOnError}
        assert LifeEvent.objects.filter(kind="due_day").count() == 1

    def test_the_same_form_sent_twice_is_one_change(self, agreement, race):
        user, sent = SpecialistFactory(), Sent(uuid.uuid4(), life.last_seen(agreement), "Alex Sample")

        def change():
            return terms.change_due_day(
                agreement=agreement, due_day=10, from_period=1, sent=sent, acting_user=user, now=NOW, today=TODAY
            )

        first, second = race(change, change)
        assert first == second
        assert LifeEvent.objects.filter(kind="due_day").count() == 1

    def test_a_hold_and_a_change_never_both_go_through(self, agreement, race):
        manager, seen = ManagerFactory(), life.last_seen(agreement)

        def hold():
            return holds.put_on_hold(
                agreement=agreement, reason="Away", sent=Sent(uuid.uuid4(), seen), acting_user=manager, now=NOW, today=TODAY
            )

        outcomes = race(hold, changer(agreement, 10, Sent(uuid.uuid4(), seen, "Alex Sample")))
        assert {type(outcome) for outcome in outcomes} == {LifeEvent, AgreementMovedOnError}

    def test_without_the_lock_nobody_would_be_told(self, agreement, race, monkeypatch):
        """The twin: both look at the timeline before either has written, and the database alone is left to say no."""
        both_have_looked, check = threading.Barrier(2), life.check

        def look_together(*args):
            both_have_looked.wait(timeout=20)
            check(*args)

        monkeypatch.setattr(locks, "lock_rows", lambda *_, **__: [])
        monkeypatch.setattr(life, "check", look_together)
        seen = life.last_seen(agreement)
        outcomes = race(*(changer(agreement, day, Sent(uuid.uuid4(), seen, "Alex Sample")) for day in (10, 20)))
        assert AgreementMovedOnError not in {type(outcome) for outcome in outcomes}
