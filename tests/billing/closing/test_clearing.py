"""Accounts that money only passes through: explained to zero, item by item, and cleared by hand."""

from decimal import Decimal

import psycopg
import pytest

from billing import chart, deposits, ledger, months, verify
from billing.banking import matching, operations
from billing.banking.operations import AccountAnswer
from billing.closing import clear, clearing, reconciling
from billing.models import (
    BankAccount,
    BankLine,
    BankReconciliation,
    ClearedItem,
    Clearing,
    JournalEntry,
    Posting,
)
from billing.taking import operations as taking
from tests.billing.banking.statements import line, ofx1
from tests.billing.closing.conftest import APRIL, FEBRUARY, JANUARY, MARCH, at
from tests.factories import UserFactory

D = Decimal
NOW, TODAY = at(4, 20)
METHODS = [("card", chart.CARDS_ON_THE_WAY, "cards"), ("debit", chart.DEBITS_ON_THE_WAY, "debits")]


def on_hand(month):
    return clearing.explain(chart.UNDEPOSITED, month.last_day)


class TestOnHand:
    def test_lists_what_was_not_deposited_by_then_and_cash_paid_back(self, books):
        found = on_hand(MARCH)
        assert [(item.kind, item.amount) for item in found.items] == [("payment", D("40.00")), ("refund", D("-15.00"))]
        assert (found.balance, found.unexplained, found.is_explained) == (D("25.00"), D("0.00"), True)

    def test_knows_an_earlier_day(self, books):
        day = at(2, 4)[1]
        found = clearing.explain(chart.UNDEPOSITED, day)
        assert ([item.amount for item in found.items], found.balance) == ([D("26.65"), D("26.65")], D("53.30"))
        assert on_hand(FEBRUARY).items == []

    def test_sees_what_only_a_memo_tells_of(self, books):
        ledger.post_entry(
            entry_on=at(3, 20)[1], kind="bank", memo="Found under the counter", source="found/1",
            acting_user=books.clerk, now=NOW,
            postings=[ledger.Line(chart.UNDEPOSITED, D("2.00")), ledger.Line(chart.CASH_DIFFERENCES, D("-2.00"))],
        )  # fmt: skip
        found = on_hand(MARCH)
        assert (found.unexplained, found.is_explained) == (D("2.00"), False)
        assert [item.title for item in found.items if not item.is_known] == ["Found under the counter"]

    def test_counts_what_a_till_was_short_until_a_deposit_took_it(self, books):
        paid = books.pay(books.first.household, "30.00", at(3, 24))
        counted = taking.CountedDown(pieces={1000: 2, 100: 9}, cheques=frozenset(), reason="Change")
        count = taking.count_down(taking=paid.taking, counted=counted, acting_user=books.clerk, now=at(3, 24)[0])
        taking.confirm_count(taking=count.taking, acting_user=UserFactory(role="manager"), now=at(3, 24)[0])
        found = on_hand(MARCH)
        assert [item.amount for item in found.items if item.kind == "taking"] == [D("-1.00")]
        assert (found.balance, found.is_explained) == (D("54.00"), True)


@pytest.mark.parametrize(("method", "code", "kind"), METHODS)
class TestOnTheWay:
    def test_lists_what_the_bank_has_not_got_yet(self, books, method, code, kind):
        paid = books.pay(books.first.household, "12.00", at(3, 30), method=method)
        deposits.make_deposit(payments=[paid], deposited_on=at(4, 2)[1], acting_user=books.clerk, now=NOW, kind=kind)
        march, april = (clearing.explain(code, month.last_day) for month in (MARCH, APRIL))
        assert ([item.amount for item in march.items], march.unexplained) == ([D("12.00")], D("0.00"))
        assert (april.items, april.balance) == ([], D("0.00"))


@pytest.fixture
def held(books):
    """600.00 paid at the bank on March 12 and 64.20 received, both held; the instruments (720.00) wait to be cleared."""
    content = ofx1(
        line("A1", "-600.00", on=at(3, 12)[1], name="CHECK 88", kind="CHECK"),
        line("A2", "64.20", on=at(3, 13)[1], name="MOBILE CREDIT"),
    )
    file = operations.read_file(content=content, file_name="march.ofx", acting_user=books.clerk, now=NOW)
    answers = {each["fingerprints"][0]: AccountAnswer(name="Checking") for each in file.contents["accounts"]}
    operations.take_in(file=file, answers=answers, same_lines=(), acting_user=books.clerk, now=NOW)
    for each in BankLine.objects.all():
        matching.match_line(line=each, parts=[matching.Part("hold", each.amount)], how="hand", acting_user=books.clerk, now=NOW)
    return {
        (code, item.amount): (code, item.entry_id) for code in (chart.TO_CLEAR, chart.FLEET_TO_CLEAR) for item in open_on(code)
    }


def open_on(code, day=TODAY):
    return clearing.explain(code, day).items


def balance(code):
    return sum((posting.amount for posting in Posting.objects.filter(account_id=code)), D("0.00"))


def do(books, chosen, rest_to="", note="Supplier’s bill 12"):
    return clear.clear(chosen=chosen, rest_to=rest_to, note=note, acting_user=books.clerk, now=NOW, today=TODAY)


class TestToClear:
    def test_says_what_each_receipt_and_purchase_is(self, books, held):
        kinds = {item.kind for code in (chart.TO_CLEAR, chart.FLEET_TO_CLEAR) for item in open_on(code)}
        assert kinds == {"bank_line", "fleet"}
        assert clearing.explain(chart.FLEET_TO_CLEAR, TODAY).balance == D("-720.00")
        assert all(clearing.explain(code, TODAY).is_explained for code in clearing.WAYS)

    def test_a_match_that_was_undone_leaves_nothing(self, books, held):
        for each in BankLine.objects.all():
            matching.undo_match(line=each, acting_user=books.clerk, now=NOW)
        assert open_on(chart.TO_CLEAR) == []


class TestClear:
    def test_sets_purchases_against_what_was_paid_and_the_rest_elsewhere(self, books, held):
        chosen = [held[chart.TO_CLEAR, D("600.00")], held[chart.FLEET_TO_CLEAR, D("-720.00")]]
        made = do(books, chosen, rest_to=chart.OPENING)
        moved = {posting.account_id: posting.amount for posting in made.entry.postings.all()}
        assert moved == {chart.TO_CLEAR: D("-600.00"), chart.FLEET_TO_CLEAR: D("720.00"), chart.OPENING: D("-120.00")}
        assert (balance(chart.FLEET_TO_CLEAR), open_on(chart.FLEET_TO_CLEAR)) == (D("0.00"), [])
        assert verify.run_checks() and not [found for _, found in verify.run_checks() if found]

    def test_a_day_before_it_still_shows_them(self, books, held):
        do(books, [held[chart.FLEET_TO_CLEAR, D("-720.00")]], rest_to=chart.OPENING)
        assert [item.amount for item in open_on(chart.FLEET_TO_CLEAR, MARCH.last_day)] == [D("-720.00")]
        assert clearing.explain(chart.FLEET_TO_CLEAR, MARCH.last_day).is_explained

    def test_wants_an_account_for_what_is_left(self, books, held):
        chosen = [held[chart.TO_CLEAR, D("600.00")], held[chart.FLEET_TO_CLEAR, D("-720.00")]]
        with pytest.raises(clear.RestHasNoAccountError, match=r"leaves −\$120\.00"):
            do(books, chosen)
        with pytest.raises(clear.RestHasNoAccountError):
            do(books, chosen, rest_to=chart.RECEIVABLES)

    def test_takes_each_item_once(self, books, held):
        chosen = [held[chart.FLEET_TO_CLEAR, D("-720.00")]]
        do(books, chosen, rest_to=chart.OPENING)
        with pytest.raises(clear.ItemNotOpenError):
            do(books, chosen, rest_to=chart.OPENING)
        assert ClearedItem.objects.count() == 1

    @pytest.mark.parametrize("account", [chart.UNDEPOSITED, chart.RECEIVABLES])
    def test_only_on_accounts_that_are_cleared_by_hand(self, books, held, account):
        with pytest.raises(clear.ItemNotOpenError):
            do(books, [(account, 1)])

    def test_wants_something_and_a_word_of_what_it_is(self, books, held):
        with pytest.raises(clear.NothingToClearError):
            do(books, [])
        with pytest.raises(clear.NoteMissingError):
            do(books, [held[chart.FLEET_TO_CLEAR, D("-720.00")]], note=" ")


LATER, LATER_ON = at(4, 25)
MAY, MAY_ON = at(5, 4)


def undo(books, made, why="Another supplier’s bill", now=LATER, today=LATER_ON):
    return clear.undo_clearing(clearing=made, why=why, acting_user=books.clerk, now=now, today=today)


@pytest.fixture
def made(books, held):
    """600.00 paid, set against instruments of 720.00; the other 120.00 went to opening balances. On April 20."""
    return do(books, [held[chart.TO_CLEAR, D("600.00")], held[chart.FLEET_TO_CLEAR, D("-720.00")]], rest_to=chart.OPENING)


class TestUndoClearing:
    def test_opens_the_items_again_and_posts_back_what_it_posted(self, books, made):
        undone = undo(books, made)
        moved = {posting.account_id: posting.amount for posting in undone.undo_entry.postings.all()}
        assert moved == {chart.TO_CLEAR: D("600.00"), chart.FLEET_TO_CLEAR: D("-720.00"), chart.OPENING: D("120.00")}
        assert (undone.undone_on, undone.undo_entry.reverses_id, undone.undone_by) == (LATER_ON, made.entry_id, books.clerk)
        assert [item.amount for item in open_on(chart.FLEET_TO_CLEAR, LATER_ON)] == [D("-720.00")]
        assert all(clearing.explain(code, LATER_ON).is_explained for code in clearing.WAYS)
        assert not [found for _, found in verify.run_checks() if found]

    def test_the_days_between_stay_as_they_were(self, books, made):
        undo(books, made)
        between = at(4, 24)[1]
        assert open_on(chart.FLEET_TO_CLEAR, between) == []
        assert all(clearing.explain(code, between).is_explained for code in clearing.WAYS)

    def test_its_items_can_be_cleared_anew(self, books, held, made):
        undo(books, made)
        chosen = [held[chart.FLEET_TO_CLEAR, D("-720.00")]]
        given = {"rest_to": chart.OPENING, "note": "All of it", "acting_user": books.clerk, "now": LATER, "today": LATER_ON}
        again = clear.clear(chosen=chosen, **given)
        assert (again.entry.postings.get(account=chart.OPENING).amount, open_on(chart.FLEET_TO_CLEAR, LATER_ON)) == (
            D("-720.00"),
            [],
        )
        assert [item.amount for item in open_on(chart.TO_CLEAR, LATER_ON)] == [D("600.00"), D("-64.20")]
        assert not [found for _, found in verify.run_checks() if found]

    def test_what_posted_nothing_posts_nothing_back(self, books, held):
        for amount, other in ((D("40.00"), chart.OPENING), (D("-40.00"), chart.OPENING)):
            ledger.post_entry(
                entry_on=at(4, 2)[1], kind="bank", memo="There and back", source=f"there/{amount}",
                acting_user=books.clerk, now=NOW,
                postings=[ledger.Line(chart.TO_CLEAR, amount), ledger.Line(other, -amount)],
            )  # fmt: skip
        both = [(chart.TO_CLEAR, item.entry_id) for item in open_on(chart.TO_CLEAR) if item.title == "There and back"]
        undone = undo(books, do(books, both))
        assert (undone.entry, undone.undo_entry, len(both)) == (None, None, 2)
        assert {entry for _, entry in both} <= {item.entry_id for item in open_on(chart.TO_CLEAR, LATER_ON)}

    def test_a_closed_month_stays_as_it_was_closed(self, books, made):
        for month in (JANUARY, FEBRUARY, MARCH, APRIL):
            months.close_month(first_day=month.first_day, acting_user=books.clerk, now=MAY, today=MAY_ON)
        undone = undo(books, made, now=MAY, today=APRIL.last_day)
        assert (undone.undone_on, undone.undo_entry.entry_on) == (APRIL.ends_before, APRIL.ends_before)
        assert open_on(chart.FLEET_TO_CLEAR, APRIL.last_day) == []
        assert clearing.explain(chart.FLEET_TO_CLEAR, APRIL.last_day).is_explained
        assert not [found for _, found in verify.run_checks() if found]

    def test_a_saved_reconciliation_stays_true(self, books, made):
        account = BankAccount.objects.get()
        books_say = balance(account.books_id)
        saved = BankReconciliation.objects.create(
            account=account, on=LATER_ON, told="typed", bank=books_say, books=books_say, only_at_bank=0, only_in_books=0,
            outstanding=[], saved_at=LATER, saved_by=books.clerk,
        )  # fmt: skip
        undo(books, made)
        assert reconciling.is_still_so(saved)

    def test_happens_once_and_says_who_was_faster(self, books, made):
        undo(books, made)
        with pytest.raises(clear.ClearingUndoneError, match=rf"{books.clerk.name} undid this already: Another supplier’s bill"):
            undo(books, made)

    def test_wants_the_reason(self, books, made):
        with pytest.raises(clear.WhyMissingError):
            undo(books, made, why=" ")
        assert not Clearing.objects.exclude(undone_on=None).exists()


@pytest.mark.django_db(transaction=True)
class TestRace:
    def test_two_people_undo_it_once(self, books, made, race):
        outcomes = race(lambda: undo(books, made), lambda: undo(books, made))
        assert sorted(type(each).__name__ for each in outcomes) == ["Clearing", "ClearingUndoneError"]
        assert JournalEntry.objects.filter(reverses=made.entry).count() == 1


UNDONE = """
UPDATE billing_clearing SET undone_on = %s, undone_why = 'x', undone_at = now(), undone_by_id = made_by_id, undo_entry_id = %s
"""
ITEMS = "UPDATE billing_cleareditem SET undone_on = %s"


@pytest.mark.django_db(transaction=True)
class TestTheDatabase:
    """What raw SQL may not do to a clearing."""

    @pytest.mark.parametrize(
        "statement",
        [
            "DELETE FROM billing_cleareditem",
            "DELETE FROM billing_clearing",
            "UPDATE billing_clearing SET note = 'other'",
            "UPDATE billing_cleareditem SET account_id = '3000'",
        ],
    )
    def test_it_is_kept(self, made, app_cursor, statement):
        with pytest.raises(psycopg.errors.RestrictViolation):
            app_cursor.execute(statement)

    def test_it_is_undone_once(self, books, made, app_cursor):
        undo(books, made)
        for statement in (ITEMS, "UPDATE billing_clearing SET undone_on = %s"):
            with pytest.raises(psycopg.errors.RestrictViolation):
                app_cursor.execute(statement, [MAY_ON])

    @pytest.mark.parametrize("statement", [ITEMS, UNDONE])
    def test_not_in_part(self, made, app_cursor, statement):
        given = [LATER_ON] if statement == ITEMS else [LATER_ON, made.entry_id]
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            app_cursor.execute(statement, given)
        assert refused.value.diag.constraint_name == "clearing_undone_whole"

    def test_not_without_the_entry_that_takes_its_own_back(self, made, app_cursor):
        for entry, name in ((None, "clearing_undone_with_its_entry"), (made.entry_id, "clearing_undone_whole")):
            with pytest.raises(psycopg.errors.CheckViolation) as refused, app_cursor.connection.transaction():
                app_cursor.execute(UNDONE, [LATER_ON, entry])
                app_cursor.execute(ITEMS, [LATER_ON])
            assert refused.value.diag.constraint_name == name

    def test_not_in_a_closed_month(self, books, made, app_cursor):
        for month in (JANUARY, FEBRUARY, MARCH, APRIL):
            months.close_month(first_day=month.first_day, acting_user=books.clerk, now=MAY, today=MAY_ON)
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            app_cursor.execute(UNDONE, [LATER_ON, made.entry_id])
        assert refused.value.diag.constraint_name == "clearing_in_open_month"
