"""What is nearly a line: cents off, a fee kept, a deposit in several lines; and receipts that were held and are cleared later."""

from decimal import Decimal

import pytest
from django.urls import reverse

from billing import chart, verify
from billing.banking import at_work, matching, proposals, queries
from billing.banking.matching import Part
from billing.banking.outstanding import list_outstanding
from billing.models import BankMatch, Deposit, Posting
from tests.billing.banking.statements import line
from tests.billing.banking.test_matching import TODAY, balance, clean, state
from tests.billing.factories import NOON, HouseholdFactory
from tests.factories import BookkeeperFactory

D = Decimal


def choices(bank_line):
    return proposals.propose([bank_line], today=TODAY)[bank_line.pk]


@pytest.fixture
def accept(bookkeeper):
    def go(bank_line):
        parts = proposals.parts_of(choices(bank_line)[0].choice, bank_line)
        return matching.match_line(line=bank_line, parts=parts, how="proposed", acting_user=bookkeeper, now=NOON)

    return go


class TestCentsOff:
    @pytest.mark.parametrize(("amount", "way", "left"), [("29.99", "less", "0.01"), ("30.01", "more", "-0.01")])
    def test_says_the_difference_and_where_it_goes(self, amount, way, left, deposit, one_line, accept):
        deposit("30.00")
        bank_line = one_line(amount)
        found = choices(bank_line)[0]
        assert f"$0.01 {way}" in found.title
        assert "Cash over and short" in found.reason
        assert not found.is_certain
        accept(bank_line)
        assert (balance(chart.CASH_DIFFERENCES), balance(chart.BANK), list_outstanding()) == (D(left), D(amount), [])
        assert clean()

    def test_more_than_a_dollar_is_not_proposed(self, deposit, one_line):
        deposit("30.00")
        assert choices(one_line("28.99"))[0].choice == "hold"

    def test_card_money_less_a_fee_nobody_told(self, deposit, one_line, accept):
        made = deposit("100.00")
        item = list_outstanding()[0]
        assert item.deposit_kind == "counter"
        assert Deposit.Kind.CARDS == "cards"
        parts = proposals.parts_of(f"less:{item.entry_id},-320", one_line("96.80"))
        assert parts == [Part("entry", entry_id=item.entry_id), Part("fee", D("-3.20"))]
        assert made.amount == D("100.00")


class TestSplitByTheBank:
    @pytest.fixture
    def two(self, deposit, take_in):
        deposit("100.00")
        return take_in(line("A1", "60.00"), line("A2", "40.00"))

    def test_both_lines_are_matched_in_one_act_and_undone_in_one(self, two, bookkeeper):
        before = state()
        found = choices(two[1])[0]
        assert "Together with $60.00" in found.reason
        entry = int(found.choice.removeprefix("split:").split(",")[0])
        matching.match_split(lines=two, entry_id=entry, how="proposed", acting_user=bookkeeper, now=NOON)
        assert queries.list_open_lines().count() == 0
        assert queries.count_states()["held"] == 0
        assert (balance(chart.TO_CLEAR), balance(chart.BANK), list_outstanding()) == (D(0), D(100), [])
        assert clean()
        matching.undo_match(line=two[1], acting_user=bookkeeper, now=NOON)
        assert state() == before
        assert clean()

    def test_is_found_among_many_lines_of_the_day(self, deposit, take_in):
        deposit("100.13")
        others = [line(f"O{n}", f"{n + 500}.00") for n in range(30)]
        *_before, one, other = take_in(*others, line("A1", "60.11"), line("A2", "40.02"))
        assert choices(one)[0].choice.endswith(f",{other.pk}")
        assert choices(other)[0].choice.endswith(f",{one.pk}")

    def test_on_screen(self, two, client_as):
        client = client_as("bookkeeper")
        choice = choices(two[0])[0].choice
        client.post(reverse("bank_accept", args=[two[0].pk]), {"choice": choice})
        assert queries.list_open_lines().count() == 0

    def test_refuses_lines_that_do_not_add_up(self, two, bookkeeper):
        entry = list_outstanding()[0].entry_id
        with pytest.raises(matching.PartsDoNotAddUpError):
            matching.match_split(lines=two[:1], entry_id=entry, how="proposed", acting_user=bookkeeper, now=NOON)
        assert not BankMatch.objects.exists()


class TestClearHeld:
    @pytest.fixture
    def held(self, one_line, bookkeeper):
        bank_line = one_line("30.00", name="WIRE")
        part = Part("hold", D("30.00"))
        matching.match_line(line=bank_line, parts=[part], how="hand", acting_user=bookkeeper, now=NOON)
        return bank_line

    def test_into_a_payment(self, held, client_as):
        family = HouseholdFactory(number="H-00777")
        client = client_as("bookkeeper")
        address = reverse("bank_line", args=[held.pk])
        assert "Clear it" in client.get(address).content.decode()
        form = {"rows": "1", "part-0-what": "payment", "part-0-household": "H-00777", "part-0-amount": "30.00"}
        client.post(address, form)
        match = BankMatch.objects.get(line=held, undone_at=None)
        assert (match.payment.household, balance(chart.TO_CLEAR), balance(chart.BANK)) == (family, D(0), D(30))
        assert clean()

    def test_stays_held_when_it_does_not_add_up(self, held, bookkeeper):
        family = HouseholdFactory()
        with pytest.raises(matching.PartsDoNotAddUpError):
            part = Part("payment", D("29.00"), household_id=family.pk)
            matching.clear_held(line=held, parts=[part], acting_user=bookkeeper, now=NOON)
        assert (queries.count_states()["held"], balance(chart.TO_CLEAR)) == (1, D(-30))

    def test_refuses_what_is_not_held(self, one_line, bookkeeper, held):
        bank_line = one_line("5.00", reference="A2")
        with pytest.raises(matching.NotHeldError):
            matching.clear_held(line=bank_line, parts=[], acting_user=bookkeeper, now=NOON)


class TestTwoAtTheQueue:
    def test_a_line_somebody_has_open_is_marked_for_the_others(self, one_line, client_as):
        bank_line = one_line("30.00")
        at_work.begin(bank_line.pk, BookkeeperFactory(name="Bea Sample"))
        client = client_as("bookkeeper")
        assert "Bea Sample is on it" in client.get(reverse("bank")).content.decode()
        at_work.end(bank_line.pk)
        assert "is on it" not in client.get(reverse("bank")).content.decode()

    def test_the_second_is_told_who_was_faster(self, one_line, client_as, bookkeeper):
        bank_line = one_line("30.00")
        client = client_as("bookkeeper")
        matching.match_line(line=bank_line, parts=[Part("hold", D("30.00"))], how="hand", acting_user=bookkeeper, now=NOON)
        answer = client.post(reverse("bank_accept", args=[bank_line.pk]), {"choice": "hold"}, headers={"hx-request": "true"})
        assert answer.status_code == 409
        assert bookkeeper.name in answer.content.decode()


def test_postings_of_splits_come_to_nothing(deposit, take_in, bookkeeper):
    deposit("100.00")
    lines = take_in(line("A1", "50.00"), line("A2", "30.00"), line("A3", "20.00"))
    entry = list_outstanding()[0].entry_id
    matching.match_split(lines=lines, entry_id=entry, how="hand", acting_user=bookkeeper, now=NOON)
    split = Posting.objects.filter(account_id=chart.TO_CLEAR, entry__source__startswith="bank-split/")
    assert sum(split.values_list("amount", flat=True)) == 0
    assert not [found for _check, found in verify.run_checks() if found]
