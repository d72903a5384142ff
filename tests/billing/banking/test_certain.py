"""What is certain is matched by itself and marked so; undoing teaches, and what people confirm is remembered."""

import datetime
from decimal import Decimal

import pytest
from django.db import DatabaseError
from django.urls import reverse

from billing import charges, tasks, verify
from billing.banking import certain, matching, payers, proposals, queries
from billing.banking.matching import Part
from billing.models import BankLine, BankMatch, BankPayer, MatchingRun
from rentals.runtime import clock
from tests.billing.banking.statements import line, ofx1
from tests.billing.factories import DAY, NOON, AgreementFactory, GuardianFactory, HouseholdFactory

D = Decimal
TODAY = datetime.date(2026, 3, 20)


@pytest.fixture
def rivera(db):
    """The Rivera family, who owe 26.65, in a town of thirty families."""
    HouseholdFactory.create_batch(30)
    agreement = AgreementFactory(household=HouseholdFactory(name="Rivera", number="H-00412"))
    GuardianFactory(household=agreement.household, given_name="Maria", family_name="Rivera", is_primary=False)
    charges.charge_period(agreement=agreement, period=0, acting_user=agreement.signed_by, now=NOON)
    return agreement.household


@pytest.fixture
def go(bookkeeper):
    def run():
        return certain.continue_run(certain.start(acting_user=bookkeeper, now=NOON).pk, today=TODAY, now=NOON)

    return run


def best(bank_line):
    return proposals.propose([bank_line], today=TODAY)[bank_line.pk][0]


class TestByItself:
    @pytest.mark.parametrize("name", ["MARIA RIVERA", "RENT H-00412", "M RIVERA", "MARIA RIVEIRA"])
    def test_a_payment_by_number_or_by_name_and_amount(self, name, go, one_line, rivera):
        bank_line = one_line("26.65", name=name)
        run = go()
        match = bank_line.matches.get()
        assert (run.total, run.done, run.matched, bool(run.finished_at)) == (1, 1, 1, True)
        assert (match.how, match.payment.household, match.made_by.name) == ("certain", rivera, "Office jobs")
        assert not [found for _check, found in verify.run_checks() if found]

    def test_a_deposit(self, go, one_line, deposit):
        made = deposit("30.00")
        one_line("30.00")
        assert go().matched == 1
        assert BankMatch.objects.get().deposit == made

    @pytest.mark.parametrize(("name", "amount"), [("MARIA RIVERA", "26.64"), ("JOHN RIVERA", "26.65"), ("WIRE", "26.65")])
    def test_not_what_needs_a_look(self, name, amount, go, one_line, rivera):
        one_line(amount, name=name)
        assert (go().matched, BankMatch.objects.count()) == (0, 0)

    def test_one_charge_serves_one_line(self, go, take_in, rivera):
        take_in(line("A1", "26.65", name="RENT H-00412"), line("A2", "26.65", name="RENT H-00412"))
        assert go().matched == 0

    def test_not_what_was_paid_at_the_counter_meanwhile(self, go, one_line, rivera, pay, monkeypatch):
        one_line("26.65", name="RENT H-00412")
        propose = proposals.propose

        def late(*args, **options):
            found = propose(*args, **options)
            pay("26.65", household=rivera)
            return found

        monkeypatch.setattr(proposals, "propose", late)
        assert go().matched == 0

    def test_one_round_at_a_time(self, bookkeeper, db):
        first = certain.start(acting_user=bookkeeper, now=NOON)
        assert certain.start(acting_user=bookkeeper, now=NOON) == first

    def test_a_lost_round_is_taken_up_again(self, bookkeeper, one_line, rivera, monkeypatch):
        one_line("26.65", name="RENT H-00412")
        run = certain.start(acting_user=bookkeeper, now=NOON)
        sent = []
        monkeypatch.setattr(certain, "send_word", lambda task, **ids: sent.append((task, ids)))
        certain.sweep(now=NOON + datetime.timedelta(minutes=2))
        assert sent == []
        certain.sweep(now=NOON + datetime.timedelta(minutes=4))
        assert sent == [("billing.tasks.match_certain_lines", {"run_id": run.pk})]
        tasks.match_certain_lines(run_id=run.pk)
        run.refresh_from_db()
        assert run.matched == 1

    def test_a_file_matches_what_is_certain_as_it_is_taken_in(self, client_as, rivera, take_in):
        client = client_as("bookkeeper")
        take_in(line("A0", "1.00", name="WIRE"))
        client.post(reverse("bank_files"), {"file": _upload(ofx1(line("A1", "26.65", name="RENT H-00412")))})
        answer = client.post(reverse("bank_file", args=[BankLine.objects.first().statement.file_id + 1]), follow=True)
        assert "1 matched by themselves" in answer.content.decode()
        page = client.get(reverse("bank"), {"state": "by-itself"})
        assert "Matched by itself" in page.content.decode()

    def test_many_lines_go_to_a_worker(self, take_in, bookkeeper, monkeypatch):
        take_in(*(line(f"A{n}", f"{n + 1}.00", name="WIRE") for n in range(certain.AT_ONCE + 1)))
        sent = []
        monkeypatch.setattr(certain, "send_word", lambda task, **ids: sent.append(task))
        run = certain.start_after_file(acting_user=bookkeeper, today=TODAY, now=NOON)
        assert (sent, run.finished_at) == (["billing.tasks.match_certain_lines"], None)


def _upload(content):
    from django.core.files.uploadedfile import SimpleUploadedFile

    return SimpleUploadedFile("march2.ofx", content)


class TestUndoingTeaches:
    def test_the_line_and_the_pair_are_never_certain_again(self, go, one_line, rivera, bookkeeper):
        first = one_line("26.65", name="MARIA RIVERA")
        go()
        matching.undo_match(line=first, acting_user=bookkeeper, now=NOON)
        assert go().matched == 0
        again = one_line("26.65", name="MARIA RIVERA", reference="A2")
        assert (best(again).choice, best(again).is_certain) == (f"payment:{rivera.pk}", False)
        assert BankPayer.objects.get().is_refused

    def test_a_number_still_decides(self, go, one_line, rivera, bookkeeper):
        first = one_line("26.65", name="MARIA RIVERA")
        go()
        matching.undo_match(line=first, acting_user=bookkeeper, now=NOON)
        matching.match_line(line=first, parts=[Part("hold", D("26.65"))], how="hand", acting_user=bookkeeper, now=NOON)
        assert best(one_line("26.65", name="RENT", memo="H-00412", reference="A2")).is_certain


class TestPayers:
    @pytest.fixture
    def confirm(self, bookkeeper, one_line):
        def take(household, reference="A1", name="GRANDPA JOE"):
            bank_line = one_line("10.00", name=name, reference=reference)
            part = Part("payment", D("10.00"), household_id=household.pk)
            matching.match_line(line=bank_line, parts=[part], how="hand", acting_user=bookkeeper, now=NOON)
            return bank_line

        return take

    def test_a_confirmed_payer_is_remembered_with_who_and_when(self, confirm, rivera, bookkeeper):
        confirm(rivera)
        row = BankPayer.objects.get()
        assert (row.payer, row.household, row.learned_by, row.learned_at) == ("GRANDPA JOE", rivera, bookkeeper, NOON)

    def test_a_remembered_payer_and_the_amount_are_certain(self, confirm, rivera, one_line, go):
        confirm(rivera)
        charges_left = one_line("16.65", name="GRANDPA JOE", reference="A2")
        assert best(charges_left).is_certain
        assert "The same payer as on Mar 11" in best(charges_left).reason
        assert go().matched == 1

    def test_undoing_forgets(self, confirm, rivera, bookkeeper):
        matching.undo_match(line=confirm(rivera), acting_user=bookkeeper, now=NOON)
        assert payers.recall({"GRANDPA JOE"}).households == {}

    def test_another_household_takes_its_place(self, confirm, rivera):
        other = HouseholdFactory()
        confirm(rivera)
        confirm(other, reference="A2")
        assert payers.recall({"GRANDPA JOE"}).households == {"GRANDPA JOE": (other.pk, DAY + datetime.timedelta(days=1))}

    def test_what_is_matched_by_itself_teaches_nothing(self, go, one_line, rivera):
        one_line("26.65", name="MARIA RIVERA")
        go()
        assert not BankPayer.objects.exists()

    def test_the_database_knows_one_household_a_payer(self, confirm, rivera, owner_cursor):
        confirm(rivera)
        row = BankPayer.objects.get()
        with pytest.raises(DatabaseError, match="bank_payer_of_one_household"):
            BankPayer.objects.create(
                payer=row.payer, household=HouseholdFactory(), line=row.line, learned_at=NOON, learned_by=row.learned_by
            )


class TestRunGuards:
    @pytest.mark.parametrize("counts", [(1, 2, 0), (2, 1, 2)])
    def test_counts_that_cannot_be(self, counts, bookkeeper):
        total, done, matched = counts
        with pytest.raises(DatabaseError, match="matching_run_adds_up"):
            MatchingRun.objects.create(
                asked_at=NOON, asked_by=bookkeeper, heartbeat_at=clock.now(), total=total, done=done, matched=matched
            )


def test_the_tab_counts_them(go, one_line, rivera):
    one_line("26.65", name="RENT H-00412")
    go()
    assert queries.count_states()["by-itself"] == 1
