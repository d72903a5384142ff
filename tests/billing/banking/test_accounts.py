"""Several accounts at banks: each with its own books, and money that moves between two of them meets a line at both."""

import re
from decimal import Decimal

import psycopg
import pytest
from django.db import connection, transaction
from django.urls import reverse

from billing import banks, charges, chart, deposits, ledger, payments, reports, verify
from billing.banking import accounts, matching, operations, proposals, reconciliation
from billing.banking.matching import Part
from billing.banking.outstanding import list_outstanding
from billing.models import Account, BankAccount, BankLine, BankMatch, Payment, Posting
from billing.refunds import RefundGiven, make_refund
from tests.billing.banking.statements import DAY, line
from tests.billing.factories import NOON, GuardianFactory, HouseholdFactory
from tests.factories import BookkeeperFactory

D = Decimal
TODAY = DAY.replace(day=20)
FIRST, SECOND = "1000000001", "2000000002"


@pytest.fixture
def first(take_in):
    """The first account, with a line of 30.00."""
    take_in(line("A1", "30.00"), account=FIRST)
    return BankAccount.objects.get()


@pytest.fixture
def second(first, take_in):
    """A second account, with a line of 30.00 and one of -30.00."""
    take_in(line("B1", "30.00"), line("B2", "-30.00"), account=SECOND, name="second.ofx")
    return BankAccount.objects.get(last_four="0002")


@pytest.fixture
def rivera(db):
    household = HouseholdFactory(name="Rivera")
    GuardianFactory(household=household, given_name="Maria", family_name="Rivera", is_primary=False)
    return household


@pytest.fixture
def match(bookkeeper):
    def go(bank_line, *parts):
        return matching.match_line(line=bank_line, parts=parts, how="hand", acting_user=bookkeeper, now=NOON)

    return go


def balance(code):
    return sum(Posting.objects.filter(account_id=code).values_list("amount", flat=True), D(0))


def clean():
    return [breaches for _check, breaches in verify.run_checks() if breaches] == []


def choices(bank_line):
    return [each.choice for each in proposals.propose([bank_line], today=TODAY)[bank_line.pk]]


class TestBooks:
    def test_the_first_has_1010_and_takes_the_deposits(self, first):
        assert (first.books_id, first.takes_deposits) == (chart.BANK, True)
        assert banks.list_books() == ["1010"]

    def test_a_later_one_gets_the_next_number_and_its_own_name(self, second):
        assert (second.books_id, second.books.name, second.takes_deposits) == ("1011", "Checking 0002", False)
        assert (second.books.kind, second.books.is_bank) == ("asset", True)
        third = accounts.open_account(name="Savings", last_four="0003", fingerprint="x")
        assert third.books_id == "1012"
        assert banks.list_books() == ["1010", "1011", "1012"]

    def test_numbers_of_the_chart_that_mean_something_else_are_passed_over(self, first):
        for place in range(9):
            accounts.open_account(name=f"No. {place}", last_four="0009", fingerprint=f"x{place}")
        assert accounts.open_account(name="Savings", last_four="0003", fingerprint="y").books_id == "1040"

    @pytest.mark.parametrize("name", ["Checking 0001", " Checking  0001 ", "Rent"])
    def test_refuses_a_name_that_is_taken_here_or_in_the_chart(self, first, name):
        with pytest.raises(accounts.AccountNameTakenError, match="is called"):
            accounts.open_account(name=name, last_four="0003", fingerprint="x")

    def test_a_new_name_is_the_books_name_too(self, second):
        accounts.rename_account(account=second, name="Savings")
        assert Account.objects.get(pk="1011").name == BankAccount.objects.get(pk=second.pk).name == "Savings"

    def test_the_trial_balance_tells_them_apart(self, second, match, bookkeeper):
        match(BankLine.objects.get(bank_reference="B1"), Part("hold", D("30.00")))
        match(BankLine.objects.get(bank_reference="A1"), Part("hold", D("30.00")))
        told = {row.code: row.balance for row in reports.list_trial_balance(DAY)}
        assert (told["1010"], told["1011"], told["2900"]) == (D("30.00"), D("30.00"), D("-60.00"))


class TestWhereMoneyGoes:
    def test_deposits_transfers_and_refunds_go_over_the_chosen_account(self, second, deposit, pay, bookkeeper):
        accounts.choose_for_deposits(account=second)
        deposit("40.00")
        household = HouseholdFactory()
        pay("25.00", "transfer", household=household)
        make_refund(
            household=household,
            given=RefundGiven("transfer", D("5.00"), DAY, "Paid twice"),
            acting_user=bookkeeper,
            now=NOON,
        )
        assert (balance("1010"), balance("1011")) == (D("0.00"), D("60.00"))
        assert {item.books for item in list_outstanding()} == {"1011"}
        assert clean()

    def test_what_comes_back_leaves_the_account_it_had_reached(self, second, pay, bookkeeper):
        payment = pay("40.00")
        deposits.make_deposit(payments=[payment], deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        transfer = pay("25.00", "transfer")
        accounts.choose_for_deposits(account=second)
        for one in Payment.objects.filter(pk__in=[payment.pk, transfer.pk]):
            payments.return_payment(payment=one, reason="Stopped", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        assert (balance("1010"), balance("1011")) == (D("0.00"), D("0.00"))

    def test_a_return_told_by_another_account_leaves_that_one(self, second, pay, bookkeeper):
        payment = pay("30.00")
        deposits.make_deposit(payments=[payment], deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        told = BankLine.objects.get(bank_reference="B2")
        matching.match_returned(line=told, payment=payment, reason="Stopped", acting_user=bookkeeper, now=NOON)
        assert (balance("1010"), balance("1011")) == (D("30.00"), D("-30.00"))
        assert clean()

    def test_a_payment_made_from_a_line_is_at_the_lines_account(self, second, match):
        household = HouseholdFactory()
        match(BankLine.objects.get(bank_reference="B1"), Part("payment", D("30.00"), household_id=household.pk))
        assert (balance("1010"), balance("1011")) == (D("0.00"), D("30.00"))
        assert list_outstanding() == []

    def test_money_on_hand_is_at_no_bank(self, first, pay):
        assert banks.books_of_payment(pay("5.00")) is None


class TestOutstanding:
    def test_waits_at_its_own_account_alone(self, second, deposit):
        made = deposit("30.00")
        here, there = BankLine.objects.get(bank_reference="A1"), BankLine.objects.get(bank_reference="B1")
        told = proposals.propose([here, there], today=TODAY)
        assert told[here.pk][0].choice == f"entries:{made.entry_id}"
        assert told[here.pk][0].is_certain, "the equal line of another account is no second candidate"
        assert not [each for each in told[there.pk] if each.choice.startswith("entries")]

    def test_is_refused_for_a_line_of_another(self, second, deposit, match):
        made = deposit("30.00")
        with pytest.raises(matching.NotOutstandingError):
            match(BankLine.objects.get(bank_reference="B1"), Part("entry", entry_id=made.entry_id))
        assert not BankMatch.objects.exists()

    def test_sums_are_of_one_account(self, second, deposit):
        deposit("10.00")
        accounts.choose_for_deposits(account=second)
        deposit("20.00")
        for reference in ("A1", "B1"):
            bank_line = BankLine.objects.get(bank_reference=reference)
            assert not [each for each in choices(bank_line) if each.startswith("entries")]


class TestMoneyBetweenTwo:
    @pytest.fixture
    def out(self, second):
        return BankLine.objects.get(bank_reference="B2")

    def test_one_entry_meets_a_line_at_each(self, first, out, match):
        match(out, Part("own", D("-30.00"), account_id=first.pk))
        (waiting,) = list_outstanding()
        assert (waiting.books, waiting.amount, waiting.memo) == (
            "1010",
            D("30.00"),
            "From Checking 0002 …0002 to Checking 0001 …0001",
        )
        line_in = BankLine.objects.get(bank_reference="A1")
        assert choices(line_in)[0] == f"entries:{waiting.entry_id}"
        match(line_in, Part("entry", entry_id=waiting.entry_id))
        assert list_outstanding() == []
        assert BankMatch.objects.filter(entry=waiting.entry_id, undone_at=None).count() == 2
        assert (balance("1010"), balance("1011"), clean()) == (D("30.00"), D("-30.00"), True)

    def test_is_not_undone_while_the_other_side_is_matched(self, first, out, match, bookkeeper):
        match(out, Part("own", D("-30.00"), account_id=first.pk))
        line_in = BankLine.objects.get(bank_reference="A1")
        match(line_in, Part("entry", entry_id=list_outstanding()[0].entry_id))
        with pytest.raises(matching.OtherSideMatchedError, match="Checking 0001"):
            matching.undo_match(line=out, acting_user=bookkeeper, now=NOON)
        matching.undo_match(line=line_in, acting_user=bookkeeper, now=NOON)
        matching.undo_match(line=out, acting_user=bookkeeper, now=NOON)
        assert (balance("1010"), balance("1011"), list_outstanding(), clean()) == (D("0.00"), D("0.00"), [], True)

    def test_is_told_by_hand_on_the_lines_page(self, first, out, client, bookkeeper):
        client.force_login(bookkeeper)
        address = reverse("bank_line", args=[out.pk])
        page = client.get(address).content.decode()
        assert "To or from another account of ours" in page and "Checking 0001 …0001" in page
        sent = {"rows": "3", "part-0-what": "own", "part-0-amount": "-30.00", "part-0-account": ""}
        refused = client.post(address, sent)
        assert (refused.status_code, "Choose the account that the money" in refused.content.decode()) == (422, True)
        client.post(address, sent | {"part-0-account": first.pk})
        assert (balance("1010"), balance("1011")) == (D("30.00"), D("-30.00"))

    def test_refuses_the_account_itself(self, second, out, match):
        with pytest.raises(matching.SameAccountError, match="choose the other account"):
            match(out, Part("own", D("-30.00"), account_id=second.pk))

    def test_a_half_undone_by_another_entry_leaves_neither_waiting(self, first, out, match, bookkeeper):
        match(out, Part("own", D("-30.00"), account_id=first.pk))
        matching.undo_match(line=out, acting_user=bookkeeper, now=NOON)
        assert list_outstanding() == []


class TestBothSidesAtOnce:
    """A transfer of which neither line is matched: proposed from either side, matched and undone in one act."""

    @pytest.fixture
    def sides(self, first, second):
        """The incoming line at the first account, the outgoing one at the second."""
        return BankLine.objects.get(bank_reference="A1"), BankLine.objects.get(bank_reference="B2")

    def test_is_proposed_from_either_side_in_words(self, sides):
        came, went = sides
        for here, there, title in (
            (came, went, "From our own Checking 0002 …0002"),
            (went, came, "To our own Checking 0001 …0001"),
        ):
            best = proposals.propose([here], today=TODAY)[here.pk][0]
            assert (best.choice, best.title, best.is_certain) == (f"between:{there.pk}", title, False)
            assert "$30.00" in best.reason and "on the same day" in best.reason

    def test_is_one_entry_with_a_line_at_each_and_undone_in_one(self, sides, bookkeeper):
        came, went = sides
        made = matching.match_between(line=came, other=went, how="proposed", acting_user=bookkeeper, now=NOON)
        assert {(each.line_id, each.amount) for each in made} == {(came.pk, D("30.00")), (went.pk, D("-30.00"))}
        assert len({each.entry_id for each in made}) == 1
        assert (balance("1010"), balance("1011"), list_outstanding(), clean()) == (D("30.00"), D("-30.00"), [], True)
        for each in (came, went):
            matching.undo_match(line=each, acting_user=bookkeeper, now=NOON)
            assert not BankMatch.objects.filter(undone_at=None).exists()
            assert (balance("1010"), balance("1011"), list_outstanding(), clean()) == (D("0.00"), D("0.00"), [], True)
            matching.match_between(line=came, other=went, how="proposed", acting_user=bookkeeper, now=NOON)

    def test_on_screen_both_lines_leave_the_queue(self, sides, client, bookkeeper):
        came, went = sides
        client.force_login(bookkeeper)
        page = client.post(reverse("bank_accept", args=[came.pk]), {"choice": f"between:{went.pk}"}, follow=True)
        assert "$30.00 is matched: From Checking 0002 …0002 to Checking 0001 …0001." in page.content.decode()
        assert not BankMatch.objects.filter(undone_at=None).exclude(line__in=sides).exists()
        assert BankMatch.objects.filter(undone_at=None).count() == 2

    @pytest.mark.parametrize("choice", ["between:0", "between:x", "between:"])
    def test_refuses_a_line_that_is_not_there(self, sides, client, bookkeeper, choice):
        client.force_login(bookkeeper)
        page = client.post(reverse("bank_accept", args=[sides[0].pk]), {"choice": choice}, follow=True)
        assert "not known here" in page.content.decode()

    def test_refuses_two_lines_of_one_account_and_two_sums(self, sides, bookkeeper, take_in):
        went = sides[1]
        act = {"how": "proposed", "acting_user": bookkeeper, "now": NOON}
        with pytest.raises(matching.SameAccountError):
            matching.match_between(line=went, other=BankLine.objects.get(bank_reference="B1"), **act)
        take_in(line("A9", "29.99"), account=FIRST, name="more.ofx")
        with pytest.raises(matching.PartsDoNotAddUpError):
            matching.match_between(line=went, other=BankLine.objects.get(bank_reference="A9"), **act)
        assert not BankMatch.objects.exists()

    def test_leaves_nothing_where_the_other_line_was_matched_meanwhile(self, sides, bookkeeper, match):
        came, went = sides
        match(came, Part("hold", D("30.00")))
        with pytest.raises(operations.LineMatchedError):
            matching.match_between(line=came, other=went, how="proposed", acting_user=bookkeeper, now=NOON)
        assert BankMatch.objects.get().line == came
        assert clean()

    def test_a_family_that_owes_just_this_comes_first(self, second, rivera, take_in):
        take_in(line("A5", "55.00", name="MARIA RIVERA"), account=FIRST, name="in.ofx")
        take_in(line("B5", "-55.00"), account=SECOND, name="out.ofx")
        charges.charge_fee(household=rivera, on=DAY, description="Fee", amount=55, acting_user=BookkeeperFactory(), now=NOON)
        came, went = (BankLine.objects.get(bank_reference=reference) for reference in ("A5", "B5"))
        assert choices(came)[:2] == [f"payment:{rivera.pk}", f"between:{went.pk}"]

    def test_is_not_proposed_weeks_apart(self, sides, take_in):
        take_in(line("A7", "77.00"), account=FIRST, name="early.ofx")
        take_in(line("B7", "-77.00", DAY.replace(day=17)), account=SECOND, name="late.ofx")
        assert choices(BankLine.objects.get(bank_reference="A7"))[0] == "hold"


class TestReconciliation:
    def test_each_account_against_its_own_books(self, take_in, match):
        take_in(line("A1", "30.00"), account=FIRST, balance="130.00")
        take_in(line("B1", "-50.00"), account=SECOND, balance="450.00", name="second.ofx")
        one, two = BankAccount.objects.order_by("books")
        match(BankLine.objects.get(bank_reference="A1"), Part("hold", D("30.00")))
        match(BankLine.objects.get(bank_reference="B1"), Part("fee", D("-50.00")))
        found = [reconciliation.reconcile(each) for each in (one, two)]
        assert [(each.bank, each.books, each.opening, each.unexplained) for each in found] == [
            (D("130.00"), D("30.00"), D("100.00"), D("0.00")),
            (D("450.00"), D("-50.00"), D("500.00"), D("0.00")),
        ]

    def test_opens_each_in_its_own_books(self, take_in, bookkeeper):
        take_in(line("A1", "30.00"), account=FIRST, balance="130.00")
        take_in(line("B1", "-50.00"), account=SECOND, balance="450.00", name="second.ofx")
        for each in BankAccount.objects.all():
            reconciliation.post_opening(account=each, acting_user=bookkeeper, now=NOON)
        assert (balance("1010"), balance("1011"), balance("3000")) == (D("100.00"), D("500.00"), D("-600.00"))
        assert list_outstanding() == []

    def test_money_between_two_waits_at_the_one_that_has_not_told_it(self, take_in, match):
        take_in(line("A1", "5.00"), account=FIRST, balance="5.00")
        take_in(line("B1", "-50.00"), account=SECOND, balance="-50.00", name="second.ofx")
        one = BankAccount.objects.get(books="1010")
        match(BankLine.objects.get(bank_reference="B1"), Part("own", D("-50.00"), account_id=one.pk))
        here, there = (reconciliation.reconcile(each) for each in BankAccount.objects.order_by("books"))
        assert (here.sum_waiting, here.books, here.unexplained) == (D("50.00"), D("50.00"), D("0.00"))
        assert (there.sum_waiting, there.books, there.unexplained) == (D("0.00"), D("-50.00"), D("0.00"))


@pytest.mark.parametrize("cursor", ["app_cursor", "owner_cursor"])
class TestWhatTheDatabaseRefuses:
    @pytest.fixture
    def raw(self, request, transactional_db, cursor):
        return request.getfixturevalue(cursor)

    MATCH = (
        "INSERT INTO billing_bankmatch (line_id, books_id, entry_id, deposit_id, amount, how, is_made_for_it, made_at, "
        "made_by_id) VALUES (%s, %s, %s, %s, %s, 'hand', false, now(), %s)"
    )

    def refused(self, raw, constraint, sql, given=()):
        with pytest.raises(psycopg.errors.IntegrityError) as caught, raw.connection.transaction():
            raw.execute(sql, given)
        assert caught.value.diag.constraint_name == constraint

    def test_a_match_at_another_account_than_the_lines(self, raw, second, deposit, bookkeeper):
        made, there = deposit("30.00"), BankLine.objects.get(bank_reference="B1")
        self.refused(raw, "bank_match_at_the_lines_account", self.MATCH, [there.pk, "1010", None, made.pk, 30, bookkeeper.pk])
        self.refused(raw, "bank_match_is_what_it_names", self.MATCH, [there.pk, "1011", None, made.pk, 30, bookkeeper.pk])

    def test_one_entry_twice_at_one_account(self, raw, second, bookkeeper, take_in):
        entry = ledger.post_entry(
            entry_on=DAY, kind="bank", memo="Between", source="test/1", acting_user=bookkeeper, now=NOON,
            postings=[ledger.Line("1010", D(30)), ledger.Line("1011", D(-30))],
        )  # fmt: skip
        take_in(line("A1", "30.00"), line("A2", "30.00"), account=FIRST, name="more.ofx")
        one, again = BankLine.objects.filter(account__books="1010").order_by("id")
        other = BankLine.objects.get(bank_reference="B2")
        raw.execute(self.MATCH, [one.pk, None, entry.pk, None, 30, bookkeeper.pk])
        raw.execute(self.MATCH, [other.pk, None, entry.pk, None, -30, bookkeeper.pk])
        self.refused(raw, "entry_matched_once", self.MATCH, [again.pk, None, entry.pk, None, 30, bookkeeper.pk])

    def test_two_accounts_with_one_books(self, raw, second):
        self.refused(
            raw,
            "billing_bankaccount_books_id_4aafa98a_uniq",
            "INSERT INTO billing_bankaccount (name, last_four, fingerprint, books_id) VALUES ('x', '1', 'x', '1010')",
        )

    def test_books_that_are_no_bank(self, raw, second):
        self.refused(
            raw,
            "bank_account_has_books",
            "INSERT INTO billing_bankaccount (name, last_four, fingerprint, books_id) VALUES ('x', '1', 'x', '1200')",
        )

    def test_two_accounts_for_deposits_or_none(self, raw, second):
        self.refused(raw, "bank_account_for_deposits", "UPDATE billing_bankaccount SET takes_deposits = true")
        self.refused(raw, "one_bank_account_takes_deposits", "UPDATE billing_bankaccount SET takes_deposits = false")

    def test_an_account_at_a_bank_that_is_no_asset(self, raw, second):
        self.refused(raw, "account_at_a_bank_is_an_asset", "UPDATE billing_account SET is_bank = true WHERE code = '4000'")

    @pytest.mark.parametrize(
        "sql",
        [
            "UPDATE billing_bankaccount SET books_id = '1010' WHERE books_id = '1011'",
            "UPDATE billing_account SET is_bank = false WHERE code = '1010'",
        ],
    )
    def test_what_entries_stand_in_stays(self, raw, second, deposit, sql):
        deposit("30.00")
        with pytest.raises(psycopg.errors.RestrictViolation):
            raw.execute(sql)


def test_choosing_for_deposits_twice_changes_nothing(second):
    for _n in range(2):
        accounts.choose_for_deposits(account=second)
    assert list(BankAccount.objects.filter(takes_deposits=True)) == [second]
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")


class TestQueue:
    def text(self, page):
        return " ".join(re.sub(r"<[^>]+>", " ", page.content.decode()).split())

    def test_one_account_is_not_named_and_not_asked_about(self, first, client, bookkeeper):
        client.force_login(bookkeeper)
        page = client.get(reverse("bank"))
        assert "All accounts" not in self.text(page)
        assert "Checking 0001" not in self.text(page)

    def test_several_are_named_on_every_line_also_after_an_act(self, second, client, bookkeeper):
        client.force_login(bookkeeper)
        said = self.text(client.get(reverse("bank")))
        assert said.count("Mar 11, 2026 Checking 0002 …0002") == 2
        assert said.count("Mar 11, 2026 Checking 0001 …0001") == 1
        went = BankLine.objects.get(bank_reference="B2")
        row = client.post(reverse("bank_accept", args=[went.pk]), {"choice": "fee"}, headers={"hx-request": "true"})
        assert "Checking 0002 …0002" in self.text(row)

    def test_the_address_says_of_which_account(self, second, client, bookkeeper, django_assert_max_num_queries):
        client.force_login(bookkeeper)
        client.get(reverse("bank"))
        with django_assert_max_num_queries(12):
            page = client.get(reverse("bank"), {"account": second.pk})
        assert {row["line"].account for row in page.context["rows"]} == {second}
        assert [tab["count"] for tab in page.context["tabs"]] == [2, 0, 0, 0, 0]
        assert all(tab["url"].endswith(f"&account={second.pk}") for tab in page.context["tabs"])
        assert f'<option value="{second.pk}" selected>' in page.content.decode()

    @pytest.mark.parametrize("account", ["", "x", "0", "999999"])
    def test_an_account_that_is_not_there_shows_all(self, account, second, client, bookkeeper):
        client.force_login(bookkeeper)
        page = client.get(reverse("bank"), {"account": account})
        assert (page.status_code, len(page.context["rows"])) == (200, 3)
