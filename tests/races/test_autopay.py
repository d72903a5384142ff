"""Two people prepare or let out autopay at the same moment; a family pays or ends autopay while a run leaves."""

from decimal import Decimal

import pytest
from django.db import connection

from billing import payments, verify
from billing.autopay import answering, authorising, filing, noticing, running
from billing.models import (
    AutopayAnswers,
    AutopayAuthorisation,
    AutopayFile,
    AutopayNotice,
    AutopayReturn,
    AutopayRun,
    Deposit,
    Payment,
)
from rentals.staff.models import User
from tests.billing.autopay.bank import returns
from tests.billing.autopay.conftest import DEBIT_ON, NOW, TODAY, authorised, set_up, told
from tests.factories import BookkeeperFactory

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def family():
    set_up()
    authorisation = authorised()
    told(authorisation)
    return authorisation


@pytest.fixture
def people(family):
    return [BookkeeperFactory().pk, BookkeeperFactory().pk]


def preparer(person):
    return lambda: running.prepare_run(wanted_on=DEBIT_ON, acting_user=User.objects.get(pk=person), now=NOW, today=TODAY)


def letter_out(person):
    return lambda: running.let_out(run=AutopayRun.objects.get(), acting_user=User.objects.get(pk=person), now=NOW, today=TODAY)


def clean():
    return [(check.title, found) for check, found in verify.run_checks() if found]


class TestAtOnce:
    def test_two_prepare_and_one_run_stands(self, people, race):
        outcomes = race(*(preparer(person) for person in people))
        assert sorted(type(each).__name__ for each in outcomes) == ["AutopayRun", "RunUnderWayError"], outcomes
        assert AutopayRun.objects.count() == 1

    def test_two_let_the_same_run_out_and_one_file_leaves(self, people, race):
        preparer(people[0])()
        first, second = race(*(letter_out(person) for person in people))
        assert (first.pk, first.state) == (second.pk, "sent"), (first, second)
        assert (AutopayFile.objects.count(), Payment.objects.count(), Deposit.objects.count()) == (1, 1, 1)
        assert clean() == []

    def test_a_run_is_cancelled_while_it_is_let_out(self, people, race):
        preparer(people[0])()
        cancel = lambda: running.cancel_run(  # noqa: E731
            run=AutopayRun.objects.get(), acting_user=User.objects.get(pk=people[1]), now=NOW
        )
        outcomes = race(letter_out(people[0]), cancel)
        refused = [each for each in outcomes if isinstance(each, running.RunMovedOnError)]
        assert len(refused) == 1, outcomes
        assert Payment.objects.count() == (1 if AutopayRun.objects.get().state == "sent" else 0)
        assert clean() == []

    def test_a_family_pays_at_the_counter_while_its_debit_leaves(self, family, people, race):
        """Whoever comes first; the debit leaves only if nothing was paid before it."""
        preparer(people[0])()
        household = family.household

        def pay():
            return payments.record_payment(
                household=household,
                method="cash",
                amount=Decimal("26.65"),
                received_on=TODAY,
                acting_user=User.objects.get(pk=people[1]),
                now=NOW,
            )

        out, paid = race(letter_out(people[0]), pay)
        assert isinstance(paid, Payment), paid
        assert isinstance(out, AutopayRun | running.NothingToDebitError), out
        assert clean() == []

    def test_autopay_ends_while_the_run_leaves(self, family, people, race):
        preparer(people[0])()
        end = lambda: authorising.end(  # noqa: E731
            authorisation=AutopayAuthorisation.objects.get(),
            how="revoked",
            why="Called",
            acting_user=User.objects.get(pk=people[1]),
            now=NOW,
        )
        out, ended = race(letter_out(people[0]), end)
        assert isinstance(ended, AutopayAuthorisation), ended
        assert isinstance(out, AutopayRun | running.NothingToDebitError), out
        assert clean() == []

    def test_two_tell_the_same_family_once(self, family, people, race):
        AutopayNotice.objects.update(closed_at=NOW)
        tell = lambda: noticing.give_notices(today=TODAY, now=NOW, acting_user=User.objects.get(pk=people[0]))  # noqa: E731
        outcomes = race(tell, tell)
        assert sorted(outcomes) == [0, 1], outcomes

    def test_one_file_of_returns_taken_in_by_two(self, people, race):
        preparer(people[0])()
        run = letter_out(people[0])()
        content = returns(run, (run.entries.get().trace, "R01"))
        clerk = User.objects.get(pk=people[0])
        answering.read_answers(content=content, file_name="r.ach", acting_user=clerk, now=NOW)
        taker = lambda: answering.take_in(  # noqa: E731
            file=AutopayAnswers.objects.get(), acting_user=User.objects.get(pk=people[0]), now=NOW, today=DEBIT_ON
        )
        outcomes = race(taker, taker)
        assert sorted(type(each).__name__ for each in outcomes) == ["AnswersTakenError", "Found"], outcomes
        assert AutopayReturn.objects.count() == 1
        assert clean() == []


class TestStoppedBetween:
    def test_killed_at_any_step_leaves_all_or_nothing(self, people, monkeypatch):
        """The process dies after the payments, after the deposit, after the file: nothing of it stands, and again is whole."""
        preparer(people[0])()
        for module, name in ((running.deposits, "make_deposit"), (filing, "make_file"), (running.AutopayRun, "save")):
            with monkeypatch.context() as patch:
                patch.setattr(module, name, _die)
                with pytest.raises(_KilledError):
                    letter_out(people[0])()
            assert not connection.in_atomic_block
            assert (Payment.objects.count(), Deposit.objects.count(), AutopayFile.objects.count()) == (0, 0, 0)
            assert AutopayRun.objects.get().state == "ready"
        assert letter_out(people[0])().state == "sent"
        assert clean() == []


class _KilledError(Exception):
    pass


def _die(*_args, **_options):
    raise _KilledError
