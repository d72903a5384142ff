"""The one door to the ledger: what it writes, and what it refuses kindly."""

import datetime
from decimal import Decimal

import pytest

from billing import chart, ledger, months, payments
from billing.models import Account, JournalEntry, Posting
from billing.models.ledger import BILLED
from tests.billing.factories import DAY, NOON, HouseholdFactory

D = Decimal


def post(bookkeeper, *lines, source="test/1", **options):
    given = {"entry_on": DAY, "kind": "adjustment", "memo": "Test", **options}
    return ledger.post_entry(
        source=source, postings=[ledger.Line(*line) for line in lines], acting_user=bookkeeper, now=NOON, **given
    )


class TestPostEntry:
    def test_writes_all_postings_and_leaves_out_zero(self, bookkeeper):
        entry = post(bookkeeper, (chart.BANK, D("5.00")), (chart.BANK_FEES, D("0.00")), (chart.TO_CLEAR, D("-5.00")))
        assert sorted(entry.postings.values_list("account_id", "amount")) == [("1010", D("5.00")), ("2900", D("-5.00"))]

    @pytest.mark.parametrize(
        "lines",
        [
            [(chart.BANK, D("5.00")), (chart.TO_CLEAR, D("-4.99"))],
            [(chart.BANK, D("5.00"))],
            [(chart.BANK, D("0.00")), (chart.TO_CLEAR, D("0.00"))],
            [],
        ],
    )
    def test_refuses_what_does_not_balance(self, bookkeeper, lines):
        with pytest.raises(ledger.UnbalancedEntryError):
            post(bookkeeper, *lines)
        assert not JournalEntry.objects.exists()


class TestReverseEntry:
    def test_mirrors_every_posting_and_names_the_entry(self, bookkeeper):
        household = HouseholdFactory()
        entry = post(bookkeeper, (chart.RECEIVABLES, D("5.00"), household.pk), (chart.FEES, D("-5.00")))
        undone = ledger.reverse_entry(entry=entry, entry_on=DAY, reason="Mistyped", acting_user=bookkeeper, now=NOON)
        assert (undone.reverses, undone.memo) == (entry, "Test undone: Mistyped")
        assert sum(p.amount for p in Posting.objects.filter(account_id=chart.FEES)) == 0
        assert undone.postings.get(account_id=chart.RECEIVABLES).household == household

    def test_refuses_twice(self, bookkeeper):
        entry = post(bookkeeper, (chart.BANK, D("5.00")), (chart.TO_CLEAR, D("-5.00")))
        ledger.reverse_entry(entry=entry, entry_on=DAY, reason="Mistyped", acting_user=bookkeeper, now=NOON)
        with pytest.raises(ledger.AlreadyReversedError):
            ledger.reverse_entry(entry=entry, entry_on=DAY, reason="Mistyped", acting_user=bookkeeper, now=NOON)


class TestEnsureChart:
    def test_may_be_called_again_and_keeps_what_was_renamed(self, db):
        Account.objects.filter(code=chart.BANK).update(name="Bank on Main Street")
        before = Account.objects.count()
        chart.ensure_chart()
        assert Account.objects.count() == before == len(chart.CHART)
        assert Account.objects.get(code=chart.BANK).name == "Bank on Main Street"

    def test_has_one_account_of_what_families_owe(self, db):
        assert list(Account.objects.filter(is_receivable=True).values_list("code", flat=True)) == [chart.RECEIVABLES]


class TestMonthAfter:
    def test_every_month_of_a_leap_year(self):
        day, seen = datetime.date(2028, 1, 31), []
        for _ in range(12):
            day = ledger.month_after(day)
            seen.append(day.isoformat())
        assert seen == [f"2028-{month:02}-01" for month in range(2, 13)] + ["2029-01-01"]


class TestBilledAccounts:
    def test_are_those_that_a_run_posts_to(self):
        assert set(BILLED) == {chart.RECEIVABLES, chart.SALES_TAX, chart.RENT, chart.PROTECTION}


class TestYear:
    def test_a_slip_of_the_year_is_refused_while_no_month_is_closed(self, bookkeeper):
        """Months are closed in order from the first entry on: one of 1926 would ask for a hundred years of closings."""
        given = {"household": HouseholdFactory(), "method": "cash", "amount": D("5.00"), "acting_user": bookkeeper, "now": NOON}
        payments.record_payment(received_on=DAY, **given)
        with pytest.raises(
            ledger.LongBeforeError, match=r"begin on Mar 10, 2026, and Mar 10, 1926 is years before. Check the year"
        ):
            payments.record_payment(received_on=DAY.replace(year=1926), **given)
        payments.record_payment(received_on=DAY - ledger.LONG_BEFORE, **given)
        assert months.next_to_close() == (DAY - ledger.LONG_BEFORE).replace(day=1)
