"""Booking, depreciating, taking out and putting back, in figures a bookkeeper can add up."""

import datetime
import uuid
from decimal import Decimal

import pytest
from django.db.models import Sum

from billing import ledger, months
from billing.closing.checklist import get_check
from billing.closing.checks import Found
from billing.closing.span import month_of
from billing.fleet import operations, queries, rules
from billing.models import DepreciatedMonth, FleetAsset, FleetDepreciation, JournalEntry, Posting
from rentals.runtime.locks import RowsBusyError
from rentals.staff.operations import RequestKeyReusedError
from tests.billing.fleet.conftest import APRIL, DAY, LATER, MARCH, MAY, NOON, book, buy, depreciate, move
from tests.factories import BookkeeperFactory

D = Decimal


def balances():
    rows = Posting.objects.order_by().values_list("account_id").annotate(Sum("amount"))
    return {account: amount for account, amount in rows if amount}


def close(clerk, *first_days):
    for first_day in first_days:
        months.close_month(first_day=first_day, acting_user=clerk, now=NOON, today=LATER)


def amounts(instrument):
    rows = FleetDepreciation.objects.filter(asset__instrument=instrument).order_by("month")
    return [(row.month.strftime("%Y-%m"), row.amount) for row in rows]


class TestBookInstruments:
    def test_takes_them_in_at_cost_against_what_is_to_be_cleared(self, bookkeeper):
        buy("F-001", "600.00"), buy("F-002", "250.50")
        assert book(bookkeeper) == operations.Booked(2, D("850.50"), 1)
        assert balances() == {"1500": D("850.50"), "2910": D("-850.50")}
        asset = FleetAsset.objects.get(instrument__asset_tag="F-002")
        assert (asset.cost, asset.in_service_on, asset.life_months, asset.tax_class) == (D("250.50"), DAY, 60, 7)

    def test_writes_an_entry_for_each_month_of_purchase_on_its_last_day_of_purchase(self, bookkeeper):
        ledger.post_entry(
            entry_on=datetime.date(2026, 1, 2), kind="adjustment", memo="Opening", source="opening",
            postings=[ledger.Line("1010", D(5)), ledger.Line("3000", D(-5))], acting_user=bookkeeper, now=NOON,
        )  # fmt: skip
        for tag, day in (("A-1", "2026-02-03"), ("A-2", "2026-02-20"), ("A-3", "2026-03-04")):
            buy(tag, "100.00", on=day)
        book(bookkeeper)
        entries = JournalEntry.objects.filter(kind="fleet").order_by("id").values_list("entry_on", "memo")
        assert list(entries) == [
            (datetime.date(2026, 2, 20), "2 instruments bought in February 2026"),
            (datetime.date(2026, 3, 4), "1 instrument bought in March 2026"),
        ]

    def test_what_was_bought_before_the_books_begin_is_an_opening_balance_of_their_first_day(self, bookkeeper):
        buy("OLD-1", on="2021-05-05"), buy("NEW-1", "50.00")
        book(bookkeeper)
        assert JournalEntry.objects.earliest("id").entry_on == MARCH
        assert balances() == {"1500": D(650), "3000": D(-600), "2910": D(-50)}

    def test_what_was_bought_in_a_closed_month_stands_on_the_first_open_day(self, bookkeeper, fleet):
        close(bookkeeper, MARCH, APRIL)
        buy("LATE-1", on=DAY)
        book(bookkeeper)
        assert JournalEntry.objects.order_by("id").last().entry_on == MAY

    def test_leaves_what_cost_nothing_what_comes_later_and_what_is_gone(self, bookkeeper):
        buy("FREE-1", "0.00"), buy("SOON-1", on="2026-03-11")
        for place in ("sold", "lost", "retired"):
            move(buy(f"GONE-{place.upper()}"), place)
        with pytest.raises(operations.NothingToBookError, match="every instrument"):
            book(bookkeeper)

    def test_books_nothing_twice(self, bookkeeper, fleet):
        with pytest.raises(operations.NothingToBookError):
            book(bookkeeper)
        buy("F-003", "50.00")
        assert book(bookkeeper).assets == 1
        assert balances()["1500"] == D("750.00")

    def test_sent_twice_tells_what_it_did(self, bookkeeper):
        buy("F-001", "600.00")
        key = uuid.uuid4()
        first = book(bookkeeper, request_key=key)
        assert book(bookkeeper, request_key=key) == first
        with pytest.raises(RequestKeyReusedError):
            book(bookkeeper, request_key=key, terms=operations.Terms(48, D(0), 7))

    def test_keeps_a_part_of_the_cost_from_being_depreciated(self, bookkeeper):
        buy("F-001", "333.33")
        book(bookkeeper, terms=operations.Terms(60, D("0.15"), 5))
        asset = FleetAsset.objects.get()
        assert (asset.salvage, asset.basis) == (D("50.00"), D("283.33"))

    @pytest.mark.parametrize(
        ("terms", "sentence"),
        [
            (operations.Terms(0, D(0), 7), "between 1 and 600 months"),
            (operations.Terms(601, D(0), 7), "between 1 and 600 months"),
            (operations.Terms(60, D("1.01"), 7), "between 0 and 100 percent"),
            (operations.Terms(60, D(0), 4), "3, 5 or 7"),
        ],
    )
    def test_refuses_terms_that_lead_nowhere(self, bookkeeper, terms, sentence):
        buy("F-001")
        with pytest.raises(operations.TermsNotPossibleError, match=sentence):
            book(bookkeeper, terms=terms)

    @pytest.mark.django_db(transaction=True)
    def test_two_at_once_book_each_instrument_once(self, race):
        clerk = BookkeeperFactory()
        for n in range(20):
            buy(f"R-{n:03}", "100.00")
        outcomes = race(lambda: book(clerk), lambda: book(clerk))
        assert sorted(type(o).__name__ for o in outcomes) in (["Booked", "NothingToBookError"], ["Booked", "RowsBusyError"])
        assert balances()["1500"] == D("2000.00")


class TestDepreciateMonth:
    def test_posts_one_entry_for_the_month_and_a_row_for_each_asset(self, bookkeeper, fleet):
        done = depreciate(bookkeeper, MARCH)
        # 600.00 / 60 = 10.00; 100.00 / 60 = 1.67.
        assert (done.asset_count, done.amount) == (2, D("11.67"))
        assert (done.entry.entry_on, done.entry.memo) == (datetime.date(2026, 3, 31), "Depreciation of 2 instruments, March 2026")
        assert balances() == {"1500": D(700), "2910": D(-700), "5300": D("11.67"), "1590": D("-11.67")}
        assert [amounts(each) for each in fleet] == [[("2026-03", D("10.00"))], [("2026-03", D("1.67"))]]

    def test_a_whole_life_adds_up_to_the_cost_and_ends(self, bookkeeper):
        instrument = buy("F-001", "100.00")
        book(bookkeeper, terms=operations.Terms(3, D(0), 3))
        for month in (3, 4, 5, 6):
            last = depreciate(bookkeeper, datetime.date(2026, month, 1))
        assert [amount for _, amount in amounts(instrument)] == [D("33.33"), D("33.33"), D("33.34")]
        assert (last.asset_count, last.amount, last.entry) == (0, 0, None)

    def test_follows_the_schedule_month_by_month(self, bookkeeper):
        instrument = buy("F-001", "849.95")
        book(bookkeeper, terms=operations.Terms(14, D("0.1"), 3))
        operations.depreciate_through(month=datetime.date(2027, 4, 1), acting_user=bookkeeper, now=NOON, today=LATER)
        asset = FleetAsset.objects.get()
        assert [amount for _, amount in amounts(instrument)] == rules.straight_line_schedule(asset.basis, 14)

    def test_catches_up_what_lies_before_the_books_begin(self, bookkeeper):
        instrument = buy("OLD-1", "600.00", on="2025-01-15")
        book(bookkeeper)
        depreciate(bookkeeper, MARCH)
        assert amounts(instrument) == [("2026-03", D("150.00"))]  # January 2025 to March 2026: 15 months of 10.00
        # Only March is an expense of these books; the 14 months before them are a part of the opening balance.
        assert balances() == {"1500": D(600), "1590": D(-150), "5300": D(10), "3000": D(-600 + 140)}

    def test_what_had_lived_its_life_before_the_books_is_no_expense(self, bookkeeper):
        buy("OLD-1", "600.00", on="2015-01-15")
        book(bookkeeper)
        depreciate(bookkeeper, MARCH), depreciate(bookkeeper, APRIL)
        assert balances() == {"1500": D(600), "1590": D(-600)}

    def test_catches_up_what_was_booked_late(self, bookkeeper, fleet):
        depreciate(bookkeeper, MARCH)
        late = buy("LATE-1", "60.00")
        book(bookkeeper)
        depreciate(bookkeeper, APRIL)
        assert amounts(late) == [("2026-04", D("2.00"))]

    def test_begins_with_the_month_of_purchase(self, bookkeeper, fleet):
        later = buy("F-003", "60.00", on="2026-04-30")
        book(bookkeeper, today=datetime.date(2026, 4, 30))
        depreciate(bookkeeper, MARCH), depreciate(bookkeeper, APRIL)
        assert amounts(later) == [("2026-04", D("1.00"))]

    def test_catches_up_months_that_were_closed_without_it(self, bookkeeper, fleet):
        close(bookkeeper, MARCH, APRIL)
        with pytest.raises(ledger.MonthClosedError, match="May 1, 2026"):
            depreciate(bookkeeper, APRIL)
        done = depreciate(bookkeeper, MAY)
        assert (done.entry.entry_on, amounts(fleet[0])) == (datetime.date(2026, 5, 31), [("2026-05", D("30.00"))])

    def test_refuses_a_month_that_is_done_or_before_one(self, bookkeeper, fleet):
        depreciate(bookkeeper, MARCH), depreciate(bookkeeper, APRIL)
        for month in (MARCH, APRIL):
            with pytest.raises(operations.MonthDepreciatedError, match="done through April 2026"):
                depreciate(bookkeeper, month)
        assert FleetDepreciation.objects.count() == 4

    def test_refuses_to_skip_a_month(self, bookkeeper, fleet):
        with pytest.raises(operations.MonthSkippedError, match="March 2026 is next"):
            depreciate(bookkeeper, APRIL)

    def test_refuses_a_month_that_still_runs(self, bookkeeper, fleet):
        with pytest.raises(operations.DepreciationAheadError, match="from Apr 1, 2026"):
            depreciate(bookkeeper, MARCH, today=datetime.date(2026, 3, 31))

    def test_refuses_while_nothing_is_in_the_books(self, bookkeeper):
        with pytest.raises(operations.FleetNotBookedError):
            depreciate(bookkeeper, MARCH)

    @pytest.mark.django_db(transaction=True)
    def test_two_at_once_depreciate_once(self, race):
        clerk = BookkeeperFactory()
        buy("F-001", "600.00")
        book(clerk)
        outcomes = race(lambda: depreciate(clerk, MARCH), lambda: depreciate(clerk, MARCH))
        assert sum(isinstance(outcome, DepreciatedMonth) for outcome in outcomes) == 1
        assert any(isinstance(o, operations.MonthDepreciatedError | RowsBusyError) for o in outcomes)
        assert balances()["1590"] == D("-10.00")


class TestDepreciateThrough:
    def test_does_every_month_that_is_next(self, bookkeeper, fleet):
        done = operations.depreciate_through(month=MAY, acting_user=bookkeeper, now=NOON, today=LATER)
        assert [month.first_day for month in done] == [MARCH, APRIL, MAY]
        assert JournalEntry.objects.filter(kind="depreciation").count() == 3

    def test_says_that_it_is_done(self, bookkeeper, fleet):
        operations.depreciate_through(month=MAY, acting_user=bookkeeper, now=NOON, today=LATER)
        with pytest.raises(operations.MonthDepreciatedError):
            operations.depreciate_through(month=MAY, acting_user=bookkeeper, now=NOON, today=LATER)


class TestRemoveAsset:
    def remove(self, clerk, instrument, on, how="sold"):
        return operations.remove_asset(instrument=instrument, on=on, how=how, acting_user=clerk, now=NOON)

    @pytest.mark.parametrize(("how", "account"), [("sold", "5100"), ("lost", "5200")])
    def test_takes_cost_and_depreciation_out_and_the_rest_to_its_account(self, bookkeeper, fleet, how, account):
        depreciate(bookkeeper, MARCH), depreciate(bookkeeper, APRIL)
        removal = self.remove(bookkeeper, fleet[0], datetime.date(2026, 5, 9), how)
        lines = {posting.account_id: posting.amount for posting in removal.entry.postings.all()}
        assert lines == {"1500": D("-600.00"), "1590": D("20.00"), account: D("580.00")}
        assert (removal.entry.entry_on, removal.depreciated) == (datetime.date(2026, 5, 9), D("20.00"))

    def test_depreciates_first_what_the_fleet_has_not_come_to(self, bookkeeper, fleet):
        # The same in the end, whether the month was done before the sale or after it.
        removal = self.remove(bookkeeper, fleet[0], datetime.date(2026, 5, 9))
        assert removal.depreciated == D("20.00")
        assert amounts(fleet[0]) == [("2026-04", D("20.00"))]
        caught_up = FleetDepreciation.objects.get().entry
        assert (caught_up.entry_on, caught_up.memo) == (datetime.date(2026, 4, 30), "Depreciation of F-001, April 2026")
        assert depreciate(bookkeeper, MARCH).asset_count == 1

    def test_leaves_in_the_month_it_came_at_cost(self, bookkeeper, fleet):
        assert self.remove(bookkeeper, fleet[0], datetime.date(2026, 3, 30)).depreciated == 0

    def test_an_old_one_sold_at_once_is_caught_up_within_the_books(self, bookkeeper):
        old = buy("OLD-1", "600.00", on="2025-01-15")
        book(bookkeeper)
        assert self.remove(bookkeeper, old, DAY).depreciated == D("140.00")  # through February 2026: 14 months
        assert {entry.entry_on for entry in JournalEntry.objects.exclude(kind="fleet")} == {MARCH}
        assert balances() == {"3000": D(-460), "5100": D(460)}

    def test_what_has_lived_its_life_leaves_at_nothing(self, bookkeeper):
        old = buy("OLD-1", "600.00", on="2015-01-15")
        book(bookkeeper)
        depreciate(bookkeeper, MARCH)
        removal = self.remove(bookkeeper, old, APRIL)
        assert {p.account_id: p.amount for p in removal.entry.postings.all()} == {"1500": D(-600), "1590": D(600)}

    def test_is_harmless_for_what_is_not_in_the_books(self, bookkeeper, fleet):
        assert self.remove(bookkeeper, buy("NOT-1"), DAY) is None
        assert self.remove(bookkeeper, fleet[0], DAY) is not None
        assert self.remove(bookkeeper, fleet[0], DAY) is None

    def test_is_depreciated_no_more(self, bookkeeper, fleet):
        self.remove(bookkeeper, fleet[0], DAY)
        assert depreciate(bookkeeper, MARCH).amount == D("1.67")
        assert balances()["1500"] == D("100.00")

    def test_a_day_in_a_closed_month_is_posted_on_the_first_open_day(self, bookkeeper, fleet):
        close(bookkeeper, MARCH)
        assert self.remove(bookkeeper, fleet[0], DAY).entry.entry_on == APRIL


class TestPutBackAsset:
    def put_back(self, clerk, instrument, on):
        return operations.put_back_asset(instrument=instrument, on=on, reason="Sale undone", acting_user=clerk, now=NOON)

    def test_stands_as_it_stood(self, bookkeeper, fleet):
        depreciate(bookkeeper, MARCH)
        before = balances()
        operations.remove_asset(instrument=fleet[0], on=datetime.date(2026, 4, 2), how="sold", acting_user=bookkeeper, now=NOON)
        removal = self.put_back(bookkeeper, fleet[0], datetime.date(2026, 4, 3))
        assert (balances(), removal.undo_entry.entry_on) == (before, datetime.date(2026, 4, 3))

    def test_what_it_missed_is_caught_up(self, bookkeeper, fleet):
        operations.remove_asset(instrument=fleet[0], on=DAY, how="lost", acting_user=bookkeeper, now=NOON)
        depreciate(bookkeeper, MARCH), depreciate(bookkeeper, APRIL)
        self.put_back(bookkeeper, fleet[0], MAY)
        depreciate(bookkeeper, MAY)
        assert amounts(fleet[0]) == [("2026-05", D("30.00"))]

    def test_may_leave_again(self, bookkeeper, fleet):
        for day in (10, 20):
            on = datetime.date(2026, 3, day)
            operations.remove_asset(instrument=fleet[0], on=on, how="sold", acting_user=bookkeeper, now=NOON)
            assert self.put_back(bookkeeper, fleet[0], on) is not None

    def test_is_harmless_for_what_never_left(self, bookkeeper, fleet):
        assert self.put_back(bookkeeper, fleet[0], DAY) is None


class TestQueries:
    def test_totals_by_kind_agree_with_the_ledger(self, bookkeeper, fleet):
        depreciate(bookkeeper, MARCH)
        whole = queries.total(queries.list_by_kind())
        assert (whole.count, whole.cost, whole.depreciated, whole.book_value) == (2, D(700), D("11.67"), D("688.33"))
        assert [row.difference for row in queries.tie_out(whole)] == [0, 0]

    def test_lists_what_is_gone_and_still_in_the_books(self, bookkeeper, fleet):
        move(fleet[1], "lost")
        assert [a.instrument.asset_tag for a in queries.list_assets(show="gone")] == ["F-002"]

    def test_counts_the_months_that_are_over(self, bookkeeper, fleet):
        assert queries.list_next_months(datetime.date(2026, 5, 31)) == [MARCH, APRIL]
        assert queries.list_next_months(DAY) == []


class TestClosingAMonth:
    def found(self):
        return get_check("depreciated").find(month_of(MARCH), LATER)

    def test_tells_whether_its_depreciation_is_posted(self, bookkeeper, fleet):
        assert not self.found().holds
        depreciate(bookkeeper, MARCH)
        assert self.found().holds

    def test_holds_while_nothing_is_in_the_books(self, db):
        assert self.found() == Found(True, "No instrument is in the books.")
