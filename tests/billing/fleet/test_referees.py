"""The journal of a fleet's whole life before outside referees: Beancount and hledger."""

import datetime
import subprocess
from decimal import Decimal

import pytest
from beancount import loader
from beancount.core import realization

from billing import export, ledger, reports
from billing.fleet import operations
from billing.models import Account
from tests.billing.fleet.conftest import APRIL, DAY, LATER, NOON, TERMS, book, buy

D = Decimal
REFEREES = ["beancount", pytest.param("hledger", marks=pytest.mark.hledger)]


@pytest.fixture
def life(bookkeeper):
    """Five instruments of odd prices: bought, depreciated a year long, one sold, one lost, one lost and found again."""
    fleet = [buy(f"L-{n:03}", cost) for n, cost in enumerate(["849.95", "333.33", "0.31", "1182.50", "77.77"])]
    book(bookkeeper, terms=operations.Terms(14, D("0.1"), TERMS.tax_class))
    for month, instrument, how in ((4, fleet[0], "sold"), (7, fleet[1], "lost"), (8, fleet[3], "lost")):
        through = datetime.date(2026, month, 1)
        operations.depreciate_through(month=through, acting_user=bookkeeper, now=NOON, today=LATER)
        on = ledger.month_after(through) + datetime.timedelta(days=9)
        operations.remove_asset(instrument=instrument, on=on, how=how, acting_user=bookkeeper, now=NOON)
    on = datetime.date(2026, 10, 3)
    operations.put_back_asset(instrument=fleet[3], on=on, reason="found; in a closet", acting_user=bookkeeper, now=NOON)
    operations.depreciate_through(month=LATER.replace(month=5, day=1), acting_user=bookkeeper, now=NOON, today=LATER)


def complaints(referee, text, tmp_path):
    """What a referee has to say against a journal."""
    if referee == "beancount":
        return [error.message for error in loader.load_string(text)[1]]
    file = tmp_path / "journal"
    file.write_text(text)
    done = subprocess.run(["hledger", "-f", file, "check", "-s"], capture_output=True, text=True, check=False)
    return [done.stderr] if done.returncode else []


def journal(referee):
    return "".join(getattr(export, referee)())


@pytest.mark.parametrize("referee", REFEREES)
class TestTheJournal:
    def test_is_read_without_a_complaint(self, life, referee, tmp_path):
        assert complaints(referee, journal(referee), tmp_path) == []

    def test_one_cent_too_much_on_an_account_is_found(self, life, referee, tmp_path):
        text = journal(referee)
        cost = next(row.balance for row in reports.list_trial_balance(LATER) if row.code == "1500")
        asserted = {"beancount": f"{cost} ~ 0.001", "hledger": f"= {cost} "}[referee]
        wrong = asserted.replace(str(cost), str(cost + D("0.01")))
        assert text.count(asserted) == 1
        assert len(complaints(referee, text.replace(asserted, wrong), tmp_path)) == 1

    def test_one_cent_too_much_in_an_entry_is_found(self, life, referee, tmp_path):
        amount = next(line for line in journal(referee).splitlines() if "5300-Depreciation  " in line and "balance" not in line)
        was = amount.split()[1]
        wrong = amount.replace(was, str(D(was) + D("0.01")))
        assert complaints(referee, journal(referee).replace(amount, wrong, 1), tmp_path) != []


class TestTheFiguresAgree:
    def test_beancount_adds_up_the_same_balances(self, life):
        entries, _, _ = loader.load_string("".join(export.beancount()))
        root = realization.realize(entries)
        for row in reports.list_trial_balance(LATER):
            name = export.account_name(Account.objects.get(code=row.code))
            theirs = realization.get(root, name).balance.get_currency_units("USD").number or D(0)
            assert theirs == row.balance, name

    def test_a_fleet_at_its_end_is_worth_what_is_left(self, life):
        balances = {row.code: row.balance for row in reports.list_trial_balance(LATER)}
        # Three stand in the books at the end of their lives: 0.31, 1182.50 and 77.77, with a tenth of each left.
        assert balances["1500"] + balances["1590"] == D("0.03") + D("118.25") + D("7.78")


class TestHledgerText:
    def test_writes_entries_comments_and_balances(self, bookkeeper):
        buy("T-001", "600.00")
        book(bookkeeper)
        text = "".join(export.hledger())
        lines = text.splitlines()
        at = next(n for n, line in enumerate(lines) if line.startswith(f"{DAY} * ("))
        assert lines[at].endswith(") 1 instrument bought in March 2026  ; source: " + text.split("source: ")[1].split("\n")[0])
        assert lines[at + 1] == "    Assets:1500-Instruments-at-cost  600.00 USD"
        assert lines[-1].startswith("    Expenses:")
        assert "    Assets:1500-Instruments-at-cost  0.00 USD = 600.00 USD" in lines

    def test_an_empty_journal_is_only_accounts(self, db):
        assert APRIL.isoformat() not in "".join(export.hledger())
        assert " = " not in "".join(export.hledger())
