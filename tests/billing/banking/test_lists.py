"""Lists in CSV on the way in: their columns are told once, remembered for the account, and their bytes kept only until then."""

import re
from decimal import Decimal
from pathlib import Path

import psycopg
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from billing.banking import accounts, lists, operations, queries, readers
from billing.banking.lists import WhoseList
from billing.models import BankAccount, BankAccountKey, BankFile, BankLayout, BankLine
from tests.billing.factories import NOON
from tests.factories import BookkeeperFactory

D = Decimal
DATA = Path(__file__).parents[2] / "data" / "bank"
HEAD = "Date,Description,Amount,Balance\n"
MARCH = HEAD + "03/10/2026,COUNTER DEPOSIT 123456789,30.00,130.00\n03/11/2026,FEE,-5.00,125.00\n"
APRIL = HEAD + "03/11/2026,FEE,-5.00,125.00\n04/01/2026,COUNTER DEPOSIT,40.00,165.00\n"
MAPPING = readers.Mapping(date=0, name=1, amount=2, balance=3)
COLUMNS = {
    "account": "new", "account_name": "Checking", "last_four": "0001", "shape": "one", "order": "mdy", "decimal": ".",
    "date": "0", "name": "1", "amount": "2", "balance": "3",
}  # fmt: skip


def text(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def upload(content, name="list.csv"):
    return {"file": SimpleUploadedFile(name, content.encode() if isinstance(content, str) else content)}


@pytest.fixture
def bookkeeper(db):
    return BookkeeperFactory()


@pytest.fixture
def look_at(bookkeeper):
    def look(content, name="list.csv"):
        content = content.encode() if isinstance(content, str) else content
        return operations.read_file(content=content, file_name=name, acting_user=bookkeeper, now=NOON)

    return look


@pytest.fixture
def told(look_at, bookkeeper):
    """March's list, its columns told for a new account."""
    return lists.tell_columns(
        file=look_at(MARCH), whose=WhoseList(name="Checking", last_four="0001"), mapping=MAPPING, acting_user=bookkeeper, now=NOON
    )


def take_in(file, bookkeeper, answers=None):
    return operations.take_in(file=file, answers=answers or {}, same_lines=(), acting_user=bookkeeper, now=NOON)


class TestColumns:
    def test_wait_to_be_told_and_the_bytes_wait_sealed(self, look_at, bookkeeper):
        file = look_at(MARCH)
        assert (file.is_read, file.is_list) == (False, True)
        assert b"123456789" not in bytes(file.sealed)
        with pytest.raises(lists.ColumnsNotToldError):
            take_in(file, bookkeeper)

    def test_once_told_the_file_is_taken_in_and_the_bytes_are_gone(self, told, bookkeeper):
        take_in(told, bookkeeper)
        told.refresh_from_db()
        assert (told.sealed, BankAccount.objects.get().books_id) == (None, "1010")
        assert [(x.amount, x.name) for x in BankLine.objects.order_by("id")] == [
            (D("30.00"), "COUNTER DEPOSIT 123456789"),
            (D("-5.00"), "FEE"),
        ]
        assert told.statements.get().closing_balance == D("125.00")

    def test_are_remembered_and_an_overlapping_list_adds_what_is_new(self, told, look_at, bookkeeper):
        take_in(told, bookkeeper)
        file = look_at(APRIL)
        (each,) = queries.preview(file)
        assert (file.is_read, each.account, each.here, len(each.fresh), each.gap) == (
            True,
            BankAccount.objects.get(),
            1,
            1,
            D("0.00"),
        )
        take_in(file, bookkeeper)
        assert BankLine.objects.count() == 3

    def test_of_two_accounts_with_one_layout_are_asked_about(self, told, look_at, bookkeeper):
        second = accounts.open_account(name="Savings", last_four="0002", fingerprint="x")
        file = lists.tell_columns(
            file=look_at(APRIL), whose=WhoseList(account_id=second.pk), mapping=MAPPING, acting_user=bookkeeper, now=NOON
        )
        assert BankLayout.objects.count() == 2
        assert queries.preview(file)[0].account == second
        assert not look_at(APRIL.replace("40.00,165", "41.00,166")).is_read

    def test_may_be_told_anew_before_the_file_is_taken_in(self, told, bookkeeper):
        mapping = readers.Mapping(date=0, name=1, amount=2)
        account = BankAccount.objects.get()
        file = lists.tell_columns(
            file=told, whose=WhoseList(account_id=account.pk), mapping=mapping, acting_user=bookkeeper, now=NOON
        )
        assert queries.preview(file)[0].found.balance is None
        assert BankLayout.objects.get().columns["balance"] is None

    def test_that_do_not_fit_leave_nothing(self, look_at, bookkeeper):
        file = look_at(MARCH)
        with pytest.raises(readers.BankFileError):
            lists.tell_columns(
                file=file,
                whose=WhoseList(name="Checking", last_four="0001"),
                mapping=readers.Mapping(date=1, name=0, amount=2),
                acting_user=bookkeeper,
                now=NOON,
            )
        assert not BankAccount.objects.exists()
        assert not BankLayout.objects.exists()

    def test_a_list_that_no_longer_fits_what_was_told_is_asked_about(self, told, look_at):
        assert not look_at(APRIL.replace("165.00", "166.00")).is_read

    def test_sealed_under_a_key_that_is_gone(self, look_at, settings):
        file = look_at(MARCH)
        settings.SECRET_KEY = "another key, long enough to be one" * 2
        with pytest.raises(lists.SealLostError, match="Choose the file once more"):
            lists.open_sheet(file)


class TestAcrossFormats:
    def test_the_same_day_in_every_format_is_taken_in_once(self, look_at, bookkeeper):
        first = look_at((DATA / "same_day_v1.ofx").read_bytes(), "1.ofx")
        take_in(first, bookkeeper, {first.contents["accounts"][0]["fingerprints"][0]: operations.AccountAnswer(name="Checking")})
        account = BankAccount.objects.get()
        for name in ("same_day_v2.ofx", "same_day.camt053.xml", "same_day.bai2", "same_day.csv"):
            file = look_at((DATA / name).read_bytes(), name)
            if file.is_list:
                mapping = readers.Mapping(**readers.guess(lists.open_sheet(file)))
                whose = WhoseList(account_id=account.pk)
                file = lists.tell_columns(file=file, whose=whose, mapping=mapping, acting_user=bookkeeper, now=NOON)
            (each,) = queries.preview(file)
            answers = {each.key: operations.AccountAnswer(known_id=account.pk)} if each.account is None else {}
            (statement,) = take_in(file, bookkeeper, answers)
            assert (statement.account, statement.new_line_count, statement.closing_balance) == (account, 0, D("12345.00"))
        assert (BankLine.objects.count(), BankAccount.objects.count()) == (3, 1)

    def test_an_account_is_asked_about_once_for_each_way_of_naming_it(self, look_at, bookkeeper):
        first = look_at((DATA / "same_day_v1.ofx").read_bytes())
        take_in(first, bookkeeper, {first.contents["accounts"][0]["fingerprints"][0]: operations.AccountAnswer(name="Checking")})
        file = look_at((DATA / "same_day.bai2").read_bytes())
        (each,) = queries.preview(file)
        assert (each.account, each.perhaps) == (None, [BankAccount.objects.get()])
        take_in(file, bookkeeper, {each.key: operations.AccountAnswer(known_id=each.perhaps[0].pk)})
        assert BankAccountKey.objects.get().account == BankAccount.objects.get()
        (again,) = queries.preview(look_at((DATA / "same_day.camt053.xml").read_bytes()))
        assert again.account == BankAccount.objects.get()


class TestScreens:
    @pytest.fixture
    def client(self, client_as):
        return client_as("bookkeeper")

    @pytest.fixture
    def address(self, client):
        page = client.post(reverse("bank_files"), upload(MARCH), follow=True)
        assert "What do the columns of this list mean?" in text(page)
        return reverse("bank_columns", args=[BankFile.objects.get().pk])

    def test_guesses_and_shows_what_is_read(self, client, address):
        said = text(client.get(address))
        assert "Date: 03/10/2026, 03/11/2026" in said
        assert "2, March 10, 2026 – March 11, 2026" in said or "2, Mar 10, 2026 – Mar 11, 2026" in said
        assert "$125.00, every line follows from the one before" in said

    def test_shows_while_one_chooses(self, client, address):
        tried = client.post(address + "tried/", COLUMNS | {"balance": ""}, headers={"HX-Request": "true"})
        assert "Closing balance Not given" in text(tried)
        wrong = client.post(address + "tried/", COLUMNS | {"date": "1", "name": "0"})
        assert "is not a day written as month, day, year" in text(wrong) or "no line with a day" in text(wrong)
        unnamed = client.post(address + "tried/", COLUMNS | {"account": "", "account_name": "", "amount": ""})
        assert "Choose the column: amount." in text(unnamed)
        unnamed = client.post(address + "tried/", COLUMNS | {"account": "", "account_name": ""})
        assert "every line follows from the one before" in text(unnamed)
        plain = client.post(address, COLUMNS | {"try": "1", "balance": ""})
        assert (plain.status_code, "Closing balance Not given" in text(plain)) == (200, True)
        assert not BankLayout.objects.exists()

    def test_goes_on_to_the_file_and_there_to_its_lines(self, client, address):
        page = client.post(address, COLUMNS, follow=True)
        assert "Checking …0001" in text(page)
        assert "Other columns, or another account" in text(page)
        file = BankFile.objects.get()
        done = client.post(reverse("bank_file", args=[file.pk]), {}, follow=True)
        assert "list.csv is taken in: 2 new lines." in text(done)
        assert client.get(address).url == reverse("bank_file", args=[file.pk])

    @pytest.mark.parametrize(
        ("change", "sentence"),
        [
            ({"account_name": ""}, "Write a name for the new account"),
            ({"last_four": "12"}, "Write the last four digits"),
            ({"account": ""}, "Of which account is this list?"),
            ({"amount": ""}, "Choose the column: amount."),
            ({"shape": "two"}, "Choose the column: money out."),
            ({"shape": "side"}, "Choose the column: which way."),
            ({"name": "2"}, "This column is “who or what” already"),
            ({"order": "ymd"}, "is not a day written as year, month, day"),
            ({"amount": "3", "balance": "2"}, "does not follow from"),
        ],
    )
    def test_refuses_in_words_and_keeps_what_was_chosen(self, client, address, change, sentence):
        page = client.post(address, COLUMNS | change)
        assert (page.status_code, sentence in text(page)) == (422, True)
        assert not BankAccount.objects.exists()

    def test_a_file_may_be_thrown_away(self, client, address):
        page = client.post(reverse("bank_file_throw_away", args=[BankFile.objects.get().pk]), follow=True)
        assert "is thrown away" in text(page)
        assert not BankFile.objects.exists()

    def test_but_not_one_that_was_taken_in(self, client, told, bookkeeper):
        take_in(told, bookkeeper)
        page = client.post(reverse("bank_file_throw_away", args=[told.pk]), follow=True)
        assert "was taken in meanwhile, so it stays" in text(page)
        assert BankFile.objects.exists()

    def test_a_list_that_cannot_be_opened_any_more(self, client, address, settings):
        settings.SECRET_KEY_FALLBACKS, settings.SECRET_KEY = [], settings.SECRET_KEY
        BankFile.objects.update(sealed=b"x")
        page = client.get(address, follow=True)
        assert "Choose the file once more" in text(page)

    def test_are_not_for_the_specialist(self, client_as, told):
        client = client_as("specialist")
        for name in ("bank_columns", "bank_columns_tried", "bank_file_throw_away"):
            assert client.post(reverse(name, args=[told.pk])).status_code == 403
        assert client.get(reverse("bank_accounts")).status_code == 403


HEADING = "Date;Description;Amount\n"
GARBLED = (HEADING + "03/10/2026;Müller, Søren;30.00\n03/11/2026;Fee, monthly;-5.00\n").encode("mac-roman")
NEXT_MONTH = (HEADING + "04/01/2026;Müller, Søren;40.00\n04/02/2026;Fee, monthly;-6.00\n").encode("mac-roman")


class TestHowItIsWritten:
    """What was guessed wrongly a person says: the letters, and what stands between the columns. Remembered with the columns."""

    @pytest.fixture
    def client(self, client_as):
        return client_as("bookkeeper")

    @pytest.fixture
    def address(self, client):
        client.post(reverse("bank_files"), upload(GARBLED))
        return reverse("bank_columns", args=[BankFile.objects.get().pk])

    def test_the_guess_is_shown_and_can_be_told_otherwise(self, client, address):
        first = client.get(address)
        assert "Müller" not in text(first)
        assert '<option value="cp1252" selected>' in first.content.decode()
        page = client.get(address, {"spelling": "mac-roman", "delimiter": ";"})
        assert "Müller, Søren" in text(page)
        assert re.search(r'<input type="hidden" name="spelling" value="mac-roman"', page.content.decode())

    def test_is_remembered_with_the_columns(self, client, address, bookkeeper):
        columns = COLUMNS | {"balance": "", "spelling": "mac-roman"}
        client.post(address, columns)
        file = BankFile.objects.get()
        take_in(file, bookkeeper)
        assert set(BankLine.objects.values_list("name", flat=True)) == {"Müller, Søren", "Fee, monthly"}
        assert BankLayout.objects.get().columns["spelling"] == "mac-roman"
        page = client.post(reverse("bank_files"), upload(NEXT_MONTH, "april.csv"), follow=True)
        assert "Müller, Søren" in text(page)
        again = client.get(reverse("bank_columns", args=[BankFile.objects.latest("pk").pk]))
        assert '<option value="mac-roman" selected>' in again.content.decode()

    def test_another_sign_between_the_columns_gives_other_columns(self, client, address):
        page = client.get(address, {"spelling": "mac-roman", "delimiter": ","})
        assert "Søren;30.00" in text(page)
        assert '<option value="," selected>' in page.content.decode()
        tried = client.post(address + "tried/", COLUMNS | {"balance": "", "delimiter": ",", "amount": "1", "name": "0"})
        assert "This column is “day” already" in text(tried)

    @pytest.mark.parametrize(
        ("how", "sentence"),
        [
            ({"spelling": "mac-roman", "delimiter": "|"}, "No line has a bar in it, so there are no columns."),
            ({"spelling": "utf-8", "delimiter": ";"}, "Line 2: Here stands a character that does not belong to the file’s"),
        ],
    )
    def test_what_cannot_be_read_so_is_said_and_the_guess_stays(self, client, address, how, sentence):
        page = client.get(address, how)
        assert sentence in text(page)
        assert "Description: " in text(page)

    @pytest.mark.parametrize("how", [{"spelling": "rot13", "delimiter": ";"}, {"spelling": "", "delimiter": "x"}])
    def test_what_is_no_choice_is_passed_over(self, client, address, how):
        assert client.get(address, how).status_code == 200
        tried = client.post(address + "tried/", COLUMNS | {"balance": ""} | how)
        assert "is not one of the available choices" in text(tried)


class TestAccountScreens:
    @pytest.fixture
    def both(self, told):
        return [BankAccount.objects.get(), accounts.open_account(name="Savings", last_four="0002", fingerprint="x")]

    def test_rename(self, client_as, both):
        client = client_as("bookkeeper")
        address = reverse("bank_account", args=[both[1].pk])
        taken = client.post(address, {"name": "Checking"})
        assert (taken.status_code, "Another account is called “Checking” already" in text(taken)) == (422, True)
        assert "is called Reserve …0002 now" in text(client.post(address, {"name": "Reserve"}, follow=True))

    def test_where_deposits_go_is_the_managers_to_say(self, client_as, both):
        address = reverse("bank_account_deposits", args=[both[1].pk])
        assert client_as("bookkeeper").post(address).status_code == 403
        assert "From now on here" not in text(client_as("bookkeeper").get(reverse("bank_accounts")))
        manager = client_as("manager")
        assert "From now on here" in text(manager.get(reverse("bank_accounts")))
        assert "go over Savings …0002 from now on" in text(manager.post(address, follow=True))
        assert BankAccount.objects.get(takes_deposits=True) == both[1]


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("cursor", ["app_cursor", "owner_cursor"])
def test_the_database_keeps_no_bytes_of_a_file_that_was_taken_in(request, cursor, told):
    with pytest.raises(psycopg.errors.CheckViolation) as refused:
        request.getfixturevalue(cursor).execute("UPDATE billing_bankfile SET taken_at = now()")
    assert refused.value.diag.constraint_name == "bank_file_taken_keeps_no_bytes"
