"""Two people match the same line, or two lines with the same deposit, at the same moment."""

from decimal import Decimal

import pytest

from billing import deposits, payments, verify
from billing.banking import matching, operations
from billing.banking.matching import Part
from billing.banking.operations import AccountAnswer
from billing.banking.outstanding import list_outstanding
from billing.models import BankFile, BankLine, BankMatch, BankStatement, JournalEntry
from rentals.staff.models import User
from tests.billing.banking.statements import line, ofx1
from tests.billing.factories import DAY, NOON, HouseholdFactory
from tests.factories import BookkeeperFactory

D = Decimal


@pytest.fixture
def people(transactional_db):
    return BookkeeperFactory(), BookkeeperFactory()


def read(person, *lines):
    return operations.read_file(content=ofx1(*lines), file_name="a.ofx", acting_user=person, now=NOON)


def taker(file_id, person_id):
    def take():
        file = BankFile.objects.get(pk=file_id)
        answers = {each["fingerprints"][0]: AccountAnswer(name="Checking") for each in file.contents["accounts"]}
        person = User.objects.get(pk=person_id)
        return operations.take_in(file=file, answers=answers, same_lines=[], acting_user=person, now=NOON)

    return take


def matcher(line_id, person_id, part):
    def match():
        person = User.objects.get(pk=person_id)
        return matching.match_line(
            line=BankLine.objects.get(pk=line_id), parts=[part], how="proposed", acting_user=person, now=NOON
        )

    return match


def undoer(line_id, person_id):
    def undo():
        line = BankLine.objects.get(pk=line_id)
        return matching.undo_match(line=line, acting_user=User.objects.get(pk=person_id), now=NOON)

    return undo


def held_once():
    return [breaches for _check, breaches in verify.run_checks() if breaches] == []


class TestAtOnce:
    def test_one_line_is_matched_once_and_the_other_is_told(self, people, race):
        taker(read(people[0], line("A1", "30.00")).pk, people[0].pk)()
        bank_line = BankLine.objects.get()
        outcomes = race(*(matcher(bank_line.pk, person.pk, Part("hold", D("30.00"))) for person in people))
        assert sorted(type(x).__name__ for x in outcomes) == ["LineMatchedError", "list"], outcomes
        assert (BankMatch.objects.count(), JournalEntry.objects.count()) == (1, 1)
        assert held_once()

    def test_one_deposit_goes_to_one_line_and_the_other_is_told(self, people, race):
        taker(read(people[0], line("A1", "30.00"), line("A2", "30.00")).pk, people[0].pk)()
        payment = payments.record_payment(
            household=HouseholdFactory(), method="cash", amount=D("30.00"), received_on=DAY, acting_user=people[0], now=NOON
        )
        deposits.make_deposit(payments=[payment], deposited_on=DAY, acting_user=people[0], now=NOON)
        part = Part("entry", entry_id=list_outstanding()[0].entry_id)
        lines = BankLine.objects.order_by("id")
        outcomes = race(*(matcher(each.pk, person.pk, part) for each, person in zip(lines, people, strict=True)))
        assert sorted(type(x).__name__ for x in outcomes) == ["NotOutstandingError", "list"], outcomes
        assert BankMatch.objects.count() == 1
        assert held_once()

    def test_one_side_of_a_transfer_is_undone_while_the_other_is_matched(self, people, race):
        """Whoever is second is refused, as often as it is tried: an entry is undone or matched, never both."""
        taker(read(people[0], line("A1", "30.00")).pk, people[0].pk)()
        there = ofx1(line("B1", "-30.00"), account="2000000002")
        file = operations.read_file(content=there, file_name="b.ofx", acting_user=people[0], now=NOON)
        answers = {file.contents["accounts"][0]["fingerprints"][0]: AccountAnswer(name="Savings")}
        operations.take_in(file=file, answers=answers, same_lines=[], acting_user=people[0], now=NOON)
        came, went = BankLine.objects.order_by("-amount")
        for _n in range(6):
            matcher(went.pk, people[0].pk, Part("own", D("-30.00"), account_id=came.account_id))()
            part = Part("entry", entry_id=list_outstanding()[0].entry_id)
            outcomes = race(undoer(went.pk, people[0].pk), matcher(came.pk, people[1].pk, part))
            assert sorted(isinstance(x, list) for x in outcomes) == [False, True], outcomes
            assert {type(x).__name__ for x in outcomes} - {"list"} <= {"NotOutstandingError", "OtherSideMatchedError"}, outcomes
            assert held_once()
            for each in (came, went):
                if BankMatch.objects.filter(line=each, undone_at=None).exists():
                    undoer(each.pk, people[0].pk)()

    def test_one_file_taken_in_by_two_is_taken_in_once(self, people, race):
        file = read(people[0], line("A1", "30.00"), line("A2", "31.00"))
        first, second = race(*(taker(file.pk, person.pk) for person in people))
        assert first == second, (first, second)
        assert (BankStatement.objects.count(), BankLine.objects.count()) == (1, 2)
