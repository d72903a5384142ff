"""The bank's screens: what they say, what they refuse and how, and how few questions they ask of the database."""

import re
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from billing import charges, chart, months, payments, queries
from billing.banking import matching
from billing.banking.matching import Part
from billing.models import BankAccount, BankFile, BankLine, BankMatch, JournalEntry, Posting
from tests.billing.banking.statements import DAY, document, line, ofx1, statement
from tests.billing.factories import NOON, AgreementFactory, HouseholdFactory
from tests.billing.test_purchases import sell

D = Decimal
MOST_QUERIES = 12


def text(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def upload(content, name="march.ofx"):
    return {"file": SimpleUploadedFile(name, content)}


@pytest.fixture
def client(client_as):
    return client_as("bookkeeper")


@pytest.fixture
def rivera(db):
    agreement = AgreementFactory(household=HouseholdFactory(name="Rivera", number="H-00412"))
    charges.charge_period(agreement=agreement, period=0, acting_user=agreement.signed_by, now=NOON)
    return agreement.household


class TestFiles:
    def test_shows_what_it_would_bring_before_anything_is_taken_in(self, client):
        content = ofx1(line("A1", "30.00", name="COUNTER DEPOSIT"), line("A2", "-8,85"), balance="21.15")
        page = client.post(reverse("bank_files"), upload(content), follow=True)
        said = text(page)
        assert "Account …0001" in said
        assert "2, $21.15 together" in said
        assert "COUNTER DEPOSIT" in said
        assert "8,85 is read as 8.85" in said
        assert "1000000001" not in page.content.decode()
        assert not BankLine.objects.exists()

    def test_takes_it_in_under_the_name_that_is_given(self, client):
        client.post(reverse("bank_files"), upload(ofx1(line("A1", "30.00"))))
        address = reverse("bank_file", args=[BankFile.objects.get().pk])
        unnamed = client.post(address, {"account-0": "new", "name-0": ""})
        assert (unnamed.status_code, "Write a name for the new account" in text(unnamed)) == (422, True)
        done = client.post(address, {"account-0": "new", "name-0": "Checking"}, follow=True)
        assert "march.ofx is taken in: 1 new line." in text(done)
        assert BankAccount.objects.get().name == "Checking"
        assert "This file was taken in" in text(client.get(address))

    def test_asks_about_a_line_that_may_have_been_told_before(self, client, take_in):
        take_in(line("A1", "30.00"))
        client.post(reverse("bank_files"), upload(ofx1(line("B1", "30.00"), line("B2", "5.00"))))
        address = reverse("bank_file", args=[BankFile.objects.last().pk])
        assert "Are these others, or told a second time?" in text(client.get(address))
        client.post(address, {"another": ["B1"]})
        assert BankLine.objects.get(bank_reference="B1").left_out_at is None

    def test_what_is_not_ticked_is_left_out(self, client, take_in):
        take_in(line("A1", "30.00"))
        client.post(reverse("bank_files"), upload(ofx1(line("B1", "30.00"))))
        client.post(reverse("bank_file", args=[BankFile.objects.last().pk]), {})
        assert BankLine.objects.get(bank_reference="B1").left_out_at is not None

    @pytest.mark.parametrize(
        ("content", "sentence"),
        [
            (b"", "The file is empty"),
            (ofx1(line("A", "1o.00")), "Line 21: “1o.00” is not an amount. Amounts are written like 1250.50"),
            (b"%PDF-1.7\n", "Line 1: This is a PDF, not a bank’s file in OFX, camt.053, BAI2 or CSV."),
        ],
    )
    def test_refuses_a_bad_file_in_words(self, client, content, sentence):
        page = client.post(reverse("bank_files"), upload(content))
        assert page.status_code == 422
        assert "march.ofx is not taken in. " + sentence in text(page)
        assert not BankFile.objects.exists()

    def test_asks_for_a_file(self, client):
        page = client.post(reverse("bank_files"), {})
        assert (page.status_code, "Choose the file that you downloaded" in text(page)) == (422, True)

    def test_refuses_a_file_that_is_too_large(self, client):
        page = client.post(reverse("bank_files"), upload(b"OFXHEADER:100\n" + b"x" * (5 * 1024 * 1024)))
        assert (page.status_code, "larger than 5 MB" in text(page)) == (422, True)

    def test_a_name_with_a_path_is_only_a_name(self, client):
        client.post(reverse("bank_files"), upload(ofx1(line("A", "1.00")), name="../../etc/<b>x.ofx"))
        assert "/" not in BankFile.objects.get().file_name

    def test_several_accounts_each_with_its_question(self, client):
        content = document(statement(line("A", "1.00")), statement(line("B", "2.00"), account="5559")).encode()
        page = client.post(reverse("bank_files"), upload(content), follow=True)
        assert "ends in 0001?" in text(page)
        assert "ends in 5559?" in text(page)

    def test_is_not_for_the_specialist(self, client_as):
        assert client_as("specialist").get(reverse("bank_files")).status_code == 403
        assert client_as("specialist").get(reverse("bank")).status_code == 403


class TestLines:
    def test_says_what_each_line_may_be(self, client, deposit, one_line):
        made = deposit("30.00")
        one_line("30.00")
        said = text(client.get(reverse("bank")))
        assert f"Deposit {made.number}" in said
        assert "Same amount, deposited Mar 10, 1 day apart; the only one." in said
        assert "Match the 1 certain one" in said

    def test_never_and_done_are_told_apart(self, client, one_line):
        assert "No lines from the bank yet" in text(client.get(reverse("bank")))
        bank_line = one_line("-5.00")
        client.post(reverse("bank_accept", args=[bank_line.pk]), {"choice": "fee"})
        assert "All done: no lines of the bank waiting" in text(client.get(reverse("bank")))

    def test_accepts_and_offers_to_undo(self, client, deposit, one_line):
        deposit("30.00")
        bank_line = one_line("30.00")
        choice = f"entries:{JournalEntry.objects.get(kind='deposit').pk}"
        page = client.post(reverse("bank_accept", args=[bank_line.pk]), {"choice": choice}, follow=True)
        assert "$30.00 is matched: Deposit" in text(page)
        assert BankMatch.objects.get().how == "proposed"
        page = client.post(reverse("bank_undo", args=[bank_line.pk]), follow=True)
        assert "waits to be matched again" in text(page)
        assert not BankMatch.objects.filter(undone_at=None).exists()

    def test_answers_a_quick_act_with_the_row(self, client, one_line):
        bank_line = one_line("-5.00", name="MISC FEES", kind="SRVCHG")
        quick = {"HTTP_HX_REQUEST": "true"}
        row = client.post(reverse("bank_accept", args=[bank_line.pk]), {"choice": "fee"}, **quick)
        assert row.content.decode().lstrip().startswith(f'<tr id="line-{bank_line.pk}" data-acted="done"')
        again = client.post(reverse("bank_accept", args=[bank_line.pk]), {"choice": "fee"}, **quick)
        assert (again.status_code, "has been matched by" in text(again)) == (409, True)
        undone = client.post(reverse("bank_undo", args=[bank_line.pk]), **quick)
        assert "Bank fee" in text(undone)
        assert Posting.objects.filter(account_id=chart.BANK_FEES).count() == 2

    @pytest.mark.parametrize("choice", ["", "rob", "entries:", "entries:x", "payment:1,2", "fee:3", "return:1"])
    def test_refuses_a_choice_it_never_gave(self, client, one_line, choice):
        page = client.post(reverse("bank_accept", args=[one_line("-5.00").pk]), {"choice": choice}, follow=True)
        assert "not known here" in text(page)
        assert not BankMatch.objects.exists()

    @pytest.mark.parametrize("off", ["-101", "101", "-99700"])
    def test_a_difference_that_is_never_proposed_is_not_taken(self, client, deposit, one_line, off):
        """Written off to “Cash over and short” goes a dollar at most, whatever is sent."""
        amount = D("1000.00") + D(off) / 100
        entry = deposit("1000.00").entry_id
        page = client.post(reverse("bank_accept", args=[one_line(str(amount)).pk]), {"choice": f"off:{entry},{off}"}, follow=True)
        assert "not known here" in text(page)
        assert not Posting.objects.filter(account_id=chart.CASH_DIFFERENCES).exists()

    @pytest.mark.parametrize(
        "choice", ["payment:999999999", "entries:999999999", "split:999999999,999999999", "split:", "split:1"]
    )
    def test_refuses_what_is_not_there(self, client, one_line, choice):
        page = client.post(reverse("bank_accept", args=[one_line("5.00").pk]), {"choice": choice}, follow=True)
        assert page.status_code == 200
        assert not BankMatch.objects.exists()

    def test_tells_when_a_deposit_went_to_another_line_meanwhile(self, client, deposit, take_in):
        deposit("30.00")
        first, second = take_in(line("A1", "30.00"), line("A2", "30.00"))
        choice = f"entries:{JournalEntry.objects.get(kind='deposit').pk}"
        client.post(reverse("bank_accept", args=[first.pk]), {"choice": choice})
        row = client.post(reverse("bank_accept", args=[second.pk]), {"choice": choice}, HTTP_HX_REQUEST="true")
        assert row.status_code == 409
        assert "matched with another line meanwhile" in text(row)

    def test_leaves_out_and_takes_up_again(self, client, one_line):
        bank_line = one_line("5.00")
        client.post(reverse("bank_leave_out", args=[bank_line.pk]))
        assert "Take it up again" in text(client.get(reverse("bank"), {"state": "left-out"}))
        client.post(reverse("bank_leave_out", args=[bank_line.pk]), {"take_up": "1"})
        bank_line.refresh_from_db()
        assert bank_line.left_out_at is None

    def test_shows_what_is_to_be_cleared(self, client, one_line):
        client.post(reverse("bank_accept", args=[one_line("5.00").pk]), {"choice": "hold"})
        assert "To be cleared: DEPOSIT" in text(client.get(reverse("bank"), {"state": "held"}))

    @pytest.mark.parametrize("count", [1, 60])
    @pytest.mark.parametrize("state", ["open", "matched"])
    def test_asks_few_questions(self, count, state, client, take_in, rivera, bookkeeper, django_assert_max_num_queries):
        for each in take_in(*(line(f"A{n}", f"{n + 1}.00", name=f"RIVERA {n}") for n in range(count))):
            if state == "matched":
                parts = [Part("payment", each.amount, household_id=rivera.pk)]
                matching.match_line(line=each, parts=parts, how="hand", acting_user=bookkeeper, now=NOON)
        client.get(reverse("bank"))
        with django_assert_max_num_queries(MOST_QUERIES):
            client.get(reverse("bank"), {"state": state})


class TestByHand:
    def address(self, bank_line):
        return reverse("bank_line", args=[bank_line.pk])

    def test_splits_one_transfer_over_families_with_amounts_by_hand(self, client, one_line, rivera):
        other = HouseholdFactory(name="Okafor")
        bank_line = one_line("40.00")
        form = {
            "rows": "3",
            "part-0-what": "payment",
            "part-0-household": "H-00412",
            "part-0-amount": "26.65",
            "part-1-what": "payment",
            "part-1-household": other.number,
            "part-1-amount": "13",
        }
        short = client.post(self.address(bank_line), form)
        assert short.status_code == 422
        assert "adds up to $39.65, the line is $40.00: $0.35 is missing" in text(short)
        assert 'value="26.65"' in short.content.decode()
        client.post(self.address(bank_line), {**form, "part-2-what": "hold", "part-2-amount": ".35"})
        assert [str(match.amount) for match in BankMatch.objects.order_by("id")] == ["26.65", "13.00", "0.35"]
        assert (queries.sum_balance(rivera.pk), queries.sum_balance(other.pk)) == (D("0.00"), D("-13.00"))

    def test_several_deposits_that_are_ticked(self, client, deposit, one_line):
        deposit("10.00")
        deposit("20.00")
        bank_line = one_line("30.00")
        keys = list(JournalEntry.objects.filter(kind="deposit").values_list("pk", flat=True))
        short = client.post(self.address(bank_line), {"entry": keys[:1]})
        assert (short.status_code, short.content.decode().count(" checked")) == (422, 1)
        client.post(self.address(bank_line), {"entry": keys})
        assert BankMatch.objects.filter(line=bank_line).count() == 2

    @pytest.mark.parametrize(
        ("row", "sentence"),
        [
            ({"what": "payment", "household": "Nobody", "amount": "40"}, "No family is found by “Nobody”"),
            ({"what": "payment", "household": "", "amount": "40"}, "Write the family’s number"),
            ({"what": "payment", "household": "Rivera", "amount": "40"}, "Several families are found: H-"),
            ({"what": "hold", "amount": ""}, "Write the amount of this part"),
            ({"what": "", "amount": "4"}, "Say what this part is"),
            ({"what": "hold", "amount": "4x"}, "in digits"),
            ({}, "Choose what this line is"),
        ],
    )
    def test_says_what_is_wrong(self, client, one_line, rivera, row, sentence):
        HouseholdFactory(name="Rivera")
        page = client.post(self.address(one_line("40.00")), {f"part-0-{key}": value for key, value in row.items()})
        assert (page.status_code, sentence in text(page)) == (422, True)
        assert not BankMatch.objects.exists()

    def test_more_parts_keeps_what_was_typed(self, client, one_line):
        bank_line = one_line("40.00")
        form = {"rows": "3", "more": "1", "part-0-what": "hold", "part-0-amount": "4"}
        page = client.post(self.address(bank_line), form).content.decode()
        assert 'name="part-5-what"' in page
        assert 'value="4"' in page
        assert not BankMatch.objects.exists()

    def test_says_while_one_types_what_is_missing(self, client, deposit, one_line):
        deposit("10.00")
        key = JournalEntry.objects.get(kind="deposit").pk
        form = {"entry": key, "part-0-what": "hold", "part-0-amount": "29.99"}
        said = text(client.post(reverse("bank_line_sum", args=[one_line("40.00").pk]), form))
        assert "Chosen so far $39.99 Still missing $0.01" in said

    def test_finds_deposits_and_families(self, client, deposit, one_line, rivera):
        made = deposit("10.00")
        bank_line = one_line("40.00")
        assert f"Deposit {made.number}" in text(client.get(self.address(bank_line), {"q": made.number}))
        assert "H-00412 Rivera" in text(client.get(self.address(bank_line), {"q": "rivera"}))

    def test_asks_few_questions(self, client, take_in, deposit, rivera, django_assert_max_num_queries):
        for n in range(12):
            deposit(f"{n + 1}.00", household=rivera)
        bank_line = take_in(line("A1", "40.00", name="RIVERA"))[0]
        client.get(reverse("bank"))
        with django_assert_max_num_queries(MOST_QUERIES):
            client.get(self.address(bank_line))


class TestCertain:
    def test_lists_them_and_matches_what_stays_ticked(self, client, deposit, take_in):
        made = [deposit("30.00"), deposit("31.00")]
        take_in(line("A1", "30.00"), line("A2", "31.00"), line("A3", "99.00"))
        page = client.get(reverse("bank_certain"))
        assert all(each.number in text(page) for each in made)
        assert "$99.00" not in text(page)
        ticks = re.findall(r'name="match" value="([^"]+)"', page.content.decode())
        page = client.post(reverse("bank_certain"), {"match": ticks[:1]}, follow=True)
        assert "1 line matched" in text(page)
        assert BankMatch.objects.get().how == "proposed"
        page = client.post(reverse("bank_certain"), {"match": ticks}, follow=True)
        assert "1 of those ticked are not certain any more" in text(page)
        assert BankMatch.objects.count() == 2


class TestReturned:
    def test_says_what_follows_and_does_it(self, client, deposit, one_line, rivera):
        payment = deposit("75.00", method="cheque", household=rivera).payments.get()
        bank_line = one_line("-75.00", name="RETURNED ITEM R01", kind="DEBIT", on=DAY)
        address = reverse("bank_returned", args=[bank_line.pk, payment.pk])
        assert address in client.get(reverse("bank")).content.decode()
        page = client.get(address)
        assert "Rivera will owe $75.00 again" in text(page)
        assert re.search(r'value="Insufficient funds"[^>]* checked', page.content.decode())
        assert client.post(address, {"reason": ""}).status_code == 422
        page = client.post(address, {"reason": "Account closed"}, follow=True)
        assert f"{payment.number} is returned: Rivera owes $75.00 again." in text(page)
        assert queries.sum_balance(rivera.pk) == D("26.65")
        again = client.post(address, {"reason": "Account closed"})
        assert (again.status_code, "was returned already" in text(again)) == (422, True)

    def test_refuses_when_the_amounts_differ(self, client, deposit, one_line, rivera):
        payment = deposit("75.00", household=rivera).payments.get()
        address = reverse("bank_returned", args=[one_line("-74.00").pk, payment.pk])
        page = client.post(address, {"reason": "Account closed"})
        assert (page.status_code, "the line is −$74.00" in text(page)) == (422, True)
        assert not hasattr(type(payment).objects.get(pk=payment.pk), "payment_return")

    def test_says_that_the_instrument_is_bought_already_and_where_what_is_unpaid_stands(self, client, deposit, one_line, rivera):
        agreement = rivera.agreements.get()
        payment = deposit("26.65", household=rivera).payments.get()
        sold = sell(agreement, agreement.signed_by)
        bank_line = one_line("-26.65", name="RETURNED ITEM R01", kind="DEBIT", on=DAY)
        address = reverse("bank_returned", args=[bank_line.pk, payment.pk])
        said = text(client.get(address))
        assert f"{sold.instrument.asset_tag} was sold on Mar 10, 2026 ({agreement.number})" in said
        assert "The sale stands." in said
        client.post(address, {"reason": "Insufficient funds"})
        assert "Rivera" in text(client.get(reverse("credit_shortfalls")))
        assert [row.short for row in queries.list_credit_shortfalls(rivera.pk)] == [D("20.00")]
        client.post(reverse("bank_undo", args=[bank_line.pk]))
        assert queries.list_credit_shortfalls(rivera.pk) == []


class TestBadDays:
    def test_a_line_of_a_closed_month_says_where_it_is_posted(self, client, one_line, bookkeeper, pay):
        pay("5.00")
        bank_line = one_line("-12.00")
        address = reverse("bank_line", args=[bank_line.pk])
        assert "Its month is closed" not in text(client.get(address))
        months.close_month(first_day=DAY.replace(day=1), acting_user=bookkeeper, now=NOON, today=DAY.replace(month=4, day=2))
        assert "Its month is closed What is made from this line is posted on Apr 1, 2026" in text(client.get(address))

    def test_a_payment_taken_back_after_its_match_is_told_on_its_line(self, client, one_line, rivera, bookkeeper):
        bank_line = one_line("26.65")
        part = Part("payment", D("26.65"), household_id=rivera.pk)
        (made,) = matching.match_line(line=bank_line, parts=[part], how="hand", acting_user=bookkeeper, now=NOON)
        payments.return_payment(payment=made.payment, reason="Stopped", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        for page in (reverse("bank_line", args=[bank_line.pk]), reverse("bank") + "?state=matched"):
            assert f"Payment {made.payment.number}, Rivera H-00412, taken back since: Stopped" in text(client.get(page))

    def test_half_a_file_is_refused_with_what_to_do_and_nothing_is_kept(self, client):
        whole = ofx1(*(line(f"A{n}", f"{n + 1}.00") for n in range(20)), balance="210.00")
        page = client.post(reverse("bank_files"), upload(whole[: len(whole) // 2]))
        assert page.status_code == 422
        assert "Download" in text(page) or "download" in text(page)
        assert not BankFile.objects.exists()

    def test_what_waits_at_another_account_is_not_taken_for_a_line(self, client, deposit, take_in):
        take_in(line("A1", "5.00"))
        made = deposit("30.00")
        take_in(line("B1", "30.00"), account="2000000002", name="other.ofx")
        there = BankLine.objects.get(bank_reference="B1")
        row = client.post(
            reverse("bank_accept", args=[there.pk]), {"choice": f"entries:{made.entry_id}"}, headers={"hx-request": "true"}
        )
        assert (row.status_code, "matched with another line meanwhile, or undone" in text(row)) == (409, True)
        assert not BankMatch.objects.exists()


class TestReconcile:
    def test_shows_the_difference_and_where_they_part(self, client, deposit, take_in):
        deposit("30.00")
        deposit("12.00")
        take_in(line("A1", "30.00"), line("A2", "7.25"), balance="137.25")
        said = text(client.get(reverse("bank_reconcile")))
        assert "The bank says $137.25 The books say $42.00 Difference They differ $95.25" in said
        assert "not in the books $58.00" in said or "$100.00" in said
        assert "Not explained by any of these $0.00" in said

    def test_agrees_once_all_is_matched_and_the_opening_is_posted(self, client, deposit, take_in, bookkeeper):
        made = deposit("30.00", on=DAY)
        first, second = take_in(line("A1", "30.00"), line("A2", "7.25"), balance="137.25")
        client.post(reverse("bank_accept", args=[first.pk]), {"choice": f"entries:{made.entry_id}"})
        said = text(client.get(reverse("bank_reconcile")))
        assert "They part on Mar 11, 2026 , with the bank’s line DEPOSIT over $7.25" in said
        assert "Post $100.00 as opening balance" in said
        client.post(reverse("bank_accept", args=[second.pk]), {"choice": "hold"})
        account = BankAccount.objects.get()
        page = client.post(reverse("bank_opening", args=[account.pk]), follow=True)
        assert "Difference They agree $0.00" in text(page)
        again = client.post(reverse("bank_opening", args=[account.pk]), follow=True)
        assert "in the books already" in text(again)

    def test_names_the_days_that_are_missing(self, client, take_in):
        take_in(line("A1", "30.00", DAY), balance="30.00")
        later = DAY.replace(day=20)
        take_in(line("A2", "5.00", later), balance="45.00", balance_on=later, name="later.ofx")
        said = text(client.get(reverse("bank_reconcile")))
        assert "between the closing balances of Mar 11, 2026 and Mar 20, 2026 $10.00" in said
        assert "Not explained by any of these $0.00" in said

    def test_before_there_is_anything(self, client, take_in):
        assert "No bank accounts yet" in text(client.get(reverse("bank_reconcile")))
        take_in(line("A1", "30.00"))
        assert "No closing balances yet" in text(client.get(reverse("bank_reconcile")))

    def test_asks_few_questions(self, client, take_in, deposit, django_assert_max_num_queries):
        for n in range(8):
            deposit(f"{n + 1}.00")
        take_in(*(line(f"A{n}", f"{n + 30}.00") for n in range(30)), balance="999.00")
        client.get(reverse("bank"))
        with django_assert_max_num_queries(MOST_QUERIES):
            client.get(reverse("bank_reconcile"))
