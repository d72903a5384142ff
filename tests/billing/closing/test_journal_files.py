"""The journal of a span before two referees: Beancount and hledger agree with the books to the cent, and complain of one."""

import csv
import datetime
import io
import subprocess
from decimal import Decimal

import pytest
from beancount import loader
from beancount.core import realization
from django.core.management import call_command
from django.urls import reverse

from billing import export
from billing.closing.reports.balances import list_balances
from billing.models import Account
from tests.billing.closing.conftest import FEBRUARY, JANUARY, MARCH

D = Decimal
SPANS = [(JANUARY, MARCH), (FEBRUARY, FEBRUARY), (MARCH, MARCH)]


def days(begins, ends):
    return {"begins_on": begins.first_day, "through_on": ends.last_day}


def names():
    return {export.account_name(account): account.code for account in Account.objects.all()}


def hledger(tmp_path, text, *words):
    """What hledger says of a journal; a complaint is an error."""
    file = tmp_path / "journal"
    file.write_text(text)
    return subprocess.run(["hledger", "-f", file, *words], capture_output=True, text=True, check=False)


@pytest.mark.parametrize(("begins", "ends"), SPANS, ids=str)
class TestBothReferees:
    def ours(self, ends):
        return {code: balance for code, balance in list_balances(ends.last_day).items() if balance}

    def test_beancount_has_our_balances(self, books, begins, ends):
        text = "".join(export.beancount(**days(begins, ends), with_opening=True))
        entries, errors, _ = loader.load_string(text)
        assert [error.message for error in errors] == []
        root, found = realization.realize(entries), {}
        for name, code in names().items():
            account = realization.get(root, name)
            found[code] = account.balance.get_currency_units("USD").number or D(0) if account is not None else D(0)
        assert {code: balance for code, balance in found.items() if balance} == self.ours(ends)

    @pytest.mark.hledger
    def test_hledger_has_our_balances(self, books, begins, ends, tmp_path):
        text = "".join(export.hledger(**days(begins, ends), with_opening=True))
        checked = hledger(tmp_path, text, "check", "-s")
        assert (checked.returncode, checked.stderr) == (0, "")
        told = hledger(tmp_path, text, "balance", "--flat", "--no-total", "--output-format", "csv").stdout
        found = {names()[name]: D(amount.split()[0]) for name, amount in list(csv.reader(io.StringIO(told)))[1:]}
        assert {code: balance for code, balance in found.items() if balance} == self.ours(ends)


class TestACent:
    def test_is_found_by_beancount(self, books):
        text = "".join(export.beancount(**days(MARCH, MARCH), with_opening=True))
        assert text.count("46.65 ~ 0.001") == 1
        _, errors, _ = loader.load_string(text.replace("46.65 ~ 0.001", "46.66 ~ 0.001"))
        assert len(errors) == 1

    @pytest.mark.hledger
    def test_is_found_by_hledger(self, books, tmp_path):
        text = "".join(export.hledger(**days(MARCH, MARCH), with_opening=True))
        assert text.count("= 46.65 ") == 1
        assert hledger(tmp_path, text.replace("= 46.65 ", "= 46.66 "), "check", "-s").returncode == 1


class TestCsv:
    def test_has_one_posting_a_row_in_stable_columns(self, books):
        rows = list(csv.DictReader(io.StringIO("".join(export.journal_csv(**days(FEBRUARY, FEBRUARY))))))
        columns = ["entry", "date", "kind", "memo", "source", "undoes", "account", "account name", "household", "debit", "credit"]
        assert list(rows[0]) == columns
        assert {row["date"][:7] for row in rows} == {"2026-02"}
        for entry in {row["entry"] for row in rows}:
            mine = [row for row in rows if row["entry"] == entry]
            assert sum(D(row["debit"] or 0) - D(row["credit"] or 0) for row in mine) == 0


class TestScreen:
    ADDRESS = {"from": "2026-02-01", "through": "2026-02-28"}

    @pytest.mark.parametrize(
        ("code", "name", "holds"),
        [
            ("csv", "journal-2026-02-01-2026-02-28.csv", "entry,date,kind"),
            ("beancount", "journal-2026-02-01-2026-02-28.beancount", "~ 0.001 USD"),
            ("hledger", "journal-2026-02-01-2026-02-28.journal", "commodity 1000.00 USD"),
            ("other", "journal-2026-02-01-2026-02-28.csv", "entry,date,kind"),
        ],
    )
    def test_gives_each_format(self, client_as, books, code, name, holds):
        answer = client_as("bookkeeper").get(reverse("journal_file"), {**self.ADDRESS, "format": code})
        assert answer["Content-Disposition"] == f'attachment; filename="{name}"'
        assert holds in b"".join(answer.streaming_content).decode()

    def test_begins_with_what_was_there_if_asked(self, client_as, books):
        given = {**self.ADDRESS, "format": "hledger", "opening": "1"}
        text = b"".join(client_as("bookkeeper").get(reverse("journal_file"), given).streaming_content).decode()
        assert "2026-02-01 * Balances brought forward" in text

    def test_asks_which_days(self, client_as, books):
        page = client_as("bookkeeper").get(reverse("journal_files"), self.ADDRESS).content.decode()
        assert 'value="2026-02-28"' in page


def test_the_command_begins_with_the_balances_if_asked(books):
    out = io.StringIO()
    call_command("export_journal", "--format", "hledger", "--from", "2026-03-01", "--with-opening", stdout=out)
    assert out.getvalue() == "".join(export.hledger(begins_on=datetime.date(2026, 3, 1), with_opening=True))
