"""The household statement: its figures are the ledger's, its words a parent's; one payer's part adds up with the others'."""

import datetime
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from billing import charges, credits, payers, payments, queries, refunds, statements
from billing.accounts import list_account_rows
from billing.models import Posting
from rentals.agreements.models import PayerShare
from rentals.documents import pdf
from rentals.documents.kinds import get_kind
from rentals.documents.models import Document
from rentals.documents.wording import operations as wording
from rentals.documents.wording.texts import Texts
from rentals.families.models import Guardian
from tests.agreements.factories import OfficeFactory
from tests.billing.factories import DAY, NOON, AgreementFactory, GuardianFactory
from tests.factories import UserFactory

D = Decimal
FIRST, LAST = datetime.date(2026, 1, 1), datetime.date(2026, 12, 31)


def ledger_sum(household, through):
    rows = Posting.objects.filter(household=household, account_id="1200", entry__entry_on__lte=through)
    return sum((row.amount for row in rows), D("0.00"))


def made(household, begins_on=FIRST, through_on=LAST, payer=None):
    return statements.make_statement(household, begins_on=begins_on, through_on=through_on, today=DAY, payer=payer)


def told(page):
    """Each row as day, words, billed, paid, balance."""
    return [(f"{r.on:%m-%d}", r.what, str(r.charged or ""), str(r.credited or ""), str(r.balance)) for r in page.rows]


@pytest.fixture
def lived(agreement, bookkeeper):
    """Two bills, one paid by a check that bounced, a credit, a voided fee."""
    household, acts = agreement.household, {"acting_user": bookkeeper, "now": NOON}
    for period in range(2):
        charges.charge_period(agreement=agreement, period=period, **acts)
    check = payments.record_payment(
        household=household, method="cheque", cheque_number="88", amount=D("30.00"), received_on=DAY, **acts
    )
    payments.return_payment(payment=check, reason="Account closed", returned_on=DAY, **acts)
    fee = charges.charge_fee(household=household, on=DAY, description="New reed", amount=D("4.00"), **acts)
    charges.void_charge(charge=fee, reason="Not theirs", **acts)
    credits.write_credit_note(
        household=household, agreement=agreement, kind="adjustment", amount=D("5.00"), reason="Late delivery", on=DAY, **acts
    )
    return household


class TestMakeStatement:
    def test_tells_the_account_line_by_line(self, lived, agreement):
        assert told(made(lived)) == [
            ("01-31", f"Rent, {agreement.number}, Jan 31, 2026 to Feb 27, 2026", "26.65", "", "26.65"),
            ("02-28", f"Rent, {agreement.number}, Feb 28, 2026 to Mar 30, 2026", "26.65", "", "53.30"),
            ("03-10", "Payment P-000001, check 88", "", "30.00", "23.30"),
            ("03-10", "Payment P-000001 returned by the bank: Account closed", "30.00", "", "53.30"),
            ("03-10", "New reed", "4.00", "", "57.30"),
            ("03-10", "Taken back: New reed (Not theirs)", "", "4.00", "53.30"),
            ("03-10", "Credit C-000001: Late delivery", "", "5.00", "48.30"),
        ]

    def test_shows_the_lines_of_a_bill(self, lived):
        rent = made(lived).rows[0]
        assert [(line.label, str(line.amount)) for line in rent.lines] == [
            ("Rent", "20.00"), ("Sales tax on rent", "1.65"), ("Protection", "5.00"),
        ]  # fmt: skip

    def test_begins_with_the_balance_before(self, lived):
        page = made(lived, begins_on=datetime.date(2026, 2, 1), through_on=datetime.date(2026, 2, 28))
        assert (page.opening, page.closing, len(page.rows)) == (D("26.65"), D("53.30"), 1)

    def test_says_what_is_open_by_due_day_and_what_comes_next(self, lived, agreement):
        page = made(lived)
        assert [(f"{i.due_on:%m-%d}", str(i.amount)) for i in page.open_items] == [("01-31", "21.65"), ("02-28", "26.65")]
        assert [(f"{i.due_on:%m-%d}", i.what, str(i.amount)) for i in page.next_due] == [
            ("03-31", f"Flute, {agreement.number}", "26.65")
        ]

    def test_says_what_rent_has_built_up(self, agreement, bookkeeper):
        charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
        payments.record_payment(
            household=agreement.household, method="cash", amount=D("20.00"), received_on=DAY, acting_user=bookkeeper, now=NOON
        )
        assert [(c.agreement, str(c.credit), str(c.price)) for c in made(agreement.household).credits] == [
            (agreement.number, "20.00", "1080.00")
        ]

    @pytest.mark.parametrize("through", [(1, 30), (1, 31), (2, 27), (2, 28), (3, 9), (3, 10), (12, 31)])
    def test_ends_with_the_ledgers_balance(self, lived, through):
        day = datetime.date(2026, *through)
        assert made(lived, through_on=day).closing == ledger_sum(lived, day)

    @settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(begins=st.dates(FIRST, LAST), through=st.dates(FIRST, LAST))
    def test_adds_up_for_any_days(self, lived, begins, through):
        page = made(lived, begins_on=min(begins, through), through_on=max(begins, through))
        moved = sum(((row.charged or 0) - (row.credited or 0) for row in page.rows), D("0.00"))
        assert page.closing == page.opening + moved == ledger_sum(lived, max(begins, through))

    def test_shows_money_paid_back(self, agreement, bookkeeper):
        household, acts = agreement.household, {"acting_user": bookkeeper, "now": NOON}
        payments.record_payment(household=household, method="cash", amount=D("9.00"), received_on=DAY, **acts)
        refunds.make_refund(household=household, given=refunds.RefundGiven("cash", D("9.00"), DAY, "Paid twice"), **acts)
        assert told(made(household))[-1] == ("03-10", "Paid back: Paid twice", "9.00", "", "0.00")


@pytest.fixture
def shared(agreement, bookkeeper):
    """An agreement shared 2 to 1 from January, even halves from February 15; two bills of 26.65."""
    household = agreement.household
    ann, ben = agreement.guardian, GuardianFactory(household=household, given_name="Ben")
    change = datetime.date(2026, 2, 15)
    for guardian, before, after in ((ann, 2, 1), (ben, 1, 1)):
        PayerShare.objects.create(agreement=agreement, guardian=guardian, weight=before, from_on=FIRST, until_on=change)
        PayerShare.objects.create(agreement=agreement, guardian=guardian, weight=after, from_on=change)
    for period in range(2):
        charges.charge_period(agreement=agreement, period=period, acting_user=bookkeeper, now=NOON)
    return ann, ben


class TestPayers:
    # 26.65 two to one: 17.77 and 8.88 (cents by largest remainder: 1776.67 and 888.33); in halves 13.33 and 13.32.
    def test_each_owes_his_part_of_each_bill(self, shared):
        ann, ben = shared
        assert [(p.guardian_id, str(p.charged), str(p.paid)) for p in payers.list_payers(ann.household_id)] == [
            (ann.pk, "31.10", "0.00"), (ben.pk, "22.20", "0.00"),
        ]  # fmt: skip

    def test_each_has_paid_what_he_is_named_for(self, shared, bookkeeper):
        ann, ben = shared
        for amount, payer in (("20.00", ann), ("22.20", ben), ("1.00", None)):
            payments.record_payment(
                household=ann.household, method="cash", amount=D(amount), received_on=DAY, paid_by=payer,
                acting_user=bookkeeper, now=NOON,
            )  # fmt: skip
        found = payers.list_payers(ann.household_id)
        assert [(p.name, str(p.balance)) for p in found[1:]] == [(str(ben), "0.00"), ("Not shared", "-1.00")]
        assert sum(p.balance for p in found) == queries.sum_balance(ann.household_id)

    def test_a_bounced_payment_is_not_paid(self, shared, bookkeeper):
        ann, _ = shared
        paid = payments.record_payment(
            household=ann.household, method="cash", amount=D("20.00"), received_on=DAY, paid_by=ann,
            acting_user=bookkeeper, now=NOON,
        )  # fmt: skip
        payments.return_payment(payment=paid, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        assert payers.list_payers(ann.household_id)[0].paid == D("0.00")

    def test_a_credit_about_the_agreement_is_shared(self, shared, bookkeeper, agreement):
        credits.write_credit_note(
            household=agreement.household, agreement=agreement, kind="adjustment", amount=D("10.01"), reason="Late", on=DAY,
            acting_user=bookkeeper, now=NOON,
        )  # fmt: skip
        assert [str(p.charged) for p in payers.list_payers(agreement.household_id)] == ["26.09", "17.20"]

    def test_nothing_is_listed_where_nobody_shares(self, lived):
        assert payers.list_payers(lived.pk) == []

    @settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(weights=st.lists(st.integers(1, 10_000), min_size=2, max_size=4))
    def test_parts_of_every_row_add_up_to_it(self, lived, agreement, weights):
        shares = [
            PayerShare(agreement=agreement, guardian_id=key, weight=weight, from_on=FIRST) for key, weight in enumerate(weights)
        ]
        for row in list_account_rows(lived.pk):
            assert sum(payers.split_row(row, shares).values()) == row.amount

    def test_statements_of_all_payers_add_up_to_the_household(self, shared, bookkeeper):
        ann, ben = shared
        payments.record_payment(
            household=ann.household, method="cash", amount=D("20.00"), received_on=DAY, paid_by=ann,
            acting_user=bookkeeper, now=NOON,
        )  # fmt: skip
        parts = [made(ann.household, payer=each) for each in (ann, ben)]
        assert sum(page.closing for page in parts) == made(ann.household).closing
        assert told(parts[0])[0][1:4] == (
            f"Rent, {ann.household.agreements.get().number}, Jan 31, 2026 to Feb 27, 2026: share of $26.65", "17.77", "",
        )  # fmt: skip
        assert (parts[1].payer, parts[1].open_items) == (str(ben), ())

    def test_refuses_a_payer_of_another_family(self, shared, bookkeeper):
        stranger = AgreementFactory().guardian
        with pytest.raises(payments.PayerOfAnotherHouseholdError):
            payments.record_payment(
                household=shared[0].household, method="cash", amount=D(1), received_on=DAY, paid_by=stranger,
                acting_user=bookkeeper, now=NOON,
            )  # fmt: skip


class TestAskForStatement:
    def test_is_made_once_while_nothing_changes(self, lived, bookkeeper):
        OfficeFactory()
        asked = {"household": lived, "begins_on": FIRST, "through_on": LAST, "today": DAY, "now": NOON}
        first, second = statements.ask_for_statement(**asked), statements.ask_for_statement(**asked)
        payments.record_payment(household=lived, method="cash", amount=D(1), received_on=DAY, acting_user=bookkeeper, now=NOON)
        assert first == second != statements.ask_for_statement(**asked)
        assert (first.kind, first.about) == ("statement", f"household/{lived.pk}")
        assert Document.objects.count() == 2
        assert Guardian.objects.filter(household=lived).exists()

    def test_says_what_the_manager_put_in_force(self, lived):
        OfficeFactory()
        texts = Texts("Through {through}", "Dear {name},\n\nlook below.", "Call {office}.", "")
        manager = UserFactory(role="manager")
        wording.publish(code="statement", language="en", texts=texts, note="", seen=0, acting_user=manager, now=NOON)
        made = statements.ask_for_statement(household=lived, begins_on=FIRST, through_on=LAST, today=DAY, now=NOON)
        page = made.payload["page"]
        assert page["heading"].startswith("Through ") and "{" not in page["heading"]
        assert page["before"][1] == "look below."
        html = pdf.render_html(kind=get_kind("statement"), payload=made.payload, title=made.title, language="en")
        assert "look below." in html and page["after"][0] in html
