"""Eight counters want the same instruments at the same moment. Each is given out once; without lock and constraint it is not."""

import datetime
import random

import pytest

from rentals.agreements import errors, operations
from rentals.agreements.models import Agreement, AgreementUnit
from rentals.runtime import locks
from tests.agreements.test_operations import NOW, TODAY, a_signup, world
from tests.factories import SpecialistFactory
from tests.inventory.factories import InstrumentFactory

CLIENTS, INSTRUMENTS = 8, 12


@pytest.fixture
def wanted(transactional_db):
    """Twelve instruments, and for each of eight counters a sign-up for every one of them, in an order of its own."""
    world()
    instruments = InstrumentFactory.create_batch(INSTRUMENTS)
    shuffle = random.Random(17).sample
    return [
        (SpecialistFactory(), [a_signup(instrument=each, goods=()) for each in shuffle(instruments, INSTRUMENTS)])
        for _ in range(CLIENTS)
    ]


def give_out(wanted):
    """Sign all sign-ups of one counter; return what each came to."""
    user, signups = wanted
    outcomes = []
    for signup in signups:
        try:
            outcomes.append(operations.sign_agreement(signup=signup, acting_user=user, now=NOW, today=TODAY))
        except errors.InstrumentNotAvailableError as error:
            outcomes.append(error)
        except locks.RowsBusyError as error:
            outcomes.append(error)
    return outcomes


def test_each_instrument_is_given_out_once(race, wanted):
    outcomes = race(*(lambda each=each: give_out(each) for each in wanted), seconds=120)
    everything = [outcome for client in outcomes for outcome in client]
    given = [outcome for outcome in everything if isinstance(outcome, Agreement)]
    refused = [outcome for outcome in everything if isinstance(outcome, errors.InstrumentTakenError)]
    assert (len(given), len(refused)) == (INSTRUMENTS, INSTRUMENTS * (CLIENTS - 1))
    assert AgreementUnit.objects.filter(ended_at=None).values("instrument").distinct().count() == INSTRUMENTS
    assert Agreement.objects.count() == INSTRUMENTS
    numbers = sorted(int(agreement.number[2:]) for agreement in Agreement.objects.all())
    assert numbers == list(range(1, INSTRUMENTS + 1))


class TestTwins:
    """The same wish twice at the same moment, with the guards taken away one by one."""

    @pytest.fixture
    def pair(self, transactional_db):
        world()
        instrument = InstrumentFactory()
        return [(SpecialistFactory(), [a_signup(instrument=instrument, goods=())]) for _ in range(2)]

    @pytest.fixture
    def no_lock(self, monkeypatch):
        """Both look before either writes: no lock on the instrument, and both wait for each other after looking."""
        import threading

        barrier = threading.Barrier(2, timeout=20)
        look = operations.check_available

        def look_and_wait(instrument, **how):
            look(instrument, **how)
            try:
                barrier.wait()
            except threading.BrokenBarrierError:
                return

        monkeypatch.setattr(operations.locks, "lock_rows", lambda *rows, **_: [list(each) for each in rows])
        monkeypatch.setattr(operations, "check_available", look_and_wait)

    def test_without_the_lock_the_constraint_still_refuses_the_second(self, race, pair, no_lock):
        outcomes = race(*(lambda each=each: give_out(each) for each in pair))
        kinds = sorted(type(each[0]).__name__ if isinstance(each, list) else repr(each) for each in outcomes)
        assert kinds[0] == "Agreement"
        assert kinds[1] in {"InstrumentNotAvailableError", "InstrumentTakenError"}
        assert Agreement.objects.count() == 1

    def test_without_lock_and_constraint_it_is_given_out_twice(self, race, pair, no_lock, owner_cursor, monkeypatch):
        monkeypatch.setattr(operations.fleet_operations, "move_instrument", lambda **_: None)
        owner_cursor.execute("SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE conname = 'instrument_on_one_agreement'")
        definition = owner_cursor.fetchone()[0]
        owner_cursor.execute("ALTER TABLE agreements_agreementunit DROP CONSTRAINT instrument_on_one_agreement")
        try:
            race(*(lambda each=each: give_out(each) for each in pair))
            assert AgreementUnit.objects.filter(ended_at=None).count() == 2
        finally:
            owner_cursor.execute("SET session_replication_role TO replica")
            owner_cursor.execute("DELETE FROM agreements_agreementunit")
            owner_cursor.execute("SET session_replication_role TO DEFAULT")
            owner_cursor.execute(f"ALTER TABLE agreements_agreementunit ADD CONSTRAINT instrument_on_one_agreement {definition}")


def test_the_same_request_twenty_times_at_once_gives_one_agreement(race, transactional_db):
    world()
    signup, user = a_signup(goods=()), SpecialistFactory()

    def send():
        return operations.sign_agreement(signup=signup, acting_user=user, now=NOW, today=TODAY).pk

    outcomes = race(*[send] * 20, seconds=60)
    assert len(set(map(str, outcomes))) == 1
    assert Agreement.objects.count() == 1
    assert Agreement.objects.get().signed_at == datetime.datetime(2026, 1, 31, 17, tzinfo=datetime.UTC)
