"""Buying an instrument: the price on a day, the quote that holds, the sale as it is posted, and what the database refuses."""

import datetime
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from billing import batches, charges, chart, jobs, payments, purchases, queries
from billing.models import PayoffQuote, Purchase
from rentals.agreements import life, rules
from rentals.agreements.models import Agreement, TaxExemption
from rentals.documents.models import Document
from tests.billing.factories import DAY, NOON, AgreementFactory, PlanVersionFactory
from tests.factories import BookkeeperFactory
from tests.inventory.factories import InstrumentFactory

D = Decimal
pytestmark = pytest.mark.django_db


def pay(agreement, amount, by, at=NOON):
    return payments.record_payment(
        household=agreement.household,
        method="cheque",
        cheque_number="1",
        amount=D(amount),
        received_on=DAY,
        acting_user=by,
        now=at,
    )


def bill(agreement, periods, by):
    for n in range(periods):
        charges.charge_period(agreement=agreement, period=n, acting_user=by, now=NOON)


def sell(agreement, by, *, price=None, quote=None, reason="bought", instrument=None):
    """Sell as the counter does, without moving anything."""
    price = price or purchases.price_own(agreement, on=DAY)
    with transaction.atomic():
        sold = purchases.record_purchase(
            agreement=agreement,
            instrument=instrument or InstrumentFactory(),
            price=price,
            quote=quote,
            today=DAY,
            acting_user=by,
            now=NOON,
        )
        Agreement.objects.filter(pk=agreement.pk).update(ended_on=DAY, end_reason=reason)
    return sold


def posted(entry):
    return {p.account_id: p.amount for p in entry.postings.all()}


class TestPriceOwn:
    def test_takes_the_credit_off_and_the_discount_off_what_remains(self, bookkeeper):
        version = PlanVersionFactory(number=2, early_purchase_discount=D("0.25"))
        agreement = AgreementFactory(plan_version=version)
        bill(agreement, 2, bookkeeper)
        pay(agreement, "53.30", bookkeeper)
        found = purchases.price_own(agreement, on=DAY)
        # 1,080.00 - 40.00 of rent paid = 1,040.00; a quarter off leaves 780.00; 8.25 % of it is 64.35.
        assert (found.credit, found.discount, found.net, found.tax) == (D("40.00"), D("260.00"), D("780.00"), D("64.35"))

    def test_adds_what_is_past_due_to_what_is_to_pay(self, agreement, bookkeeper):
        bill(agreement, 1, bookkeeper)
        found = purchases.price_own(agreement, on=DAY)
        assert (found.credit, found.past_due, found.total) == (D("0.00"), D("26.65"), D("1195.75"))

    def test_taxes_no_household_whose_certificate_is_in_force(self, agreement, bookkeeper):
        TaxExemption.objects.create(
            household=agreement.household,
            certificate_number="E-1",
            from_on=DAY,
            expires_on=DAY,
            recorded_at=NOON,
            recorded_by=bookkeeper,
        )
        assert purchases.price_own(agreement, on=DAY).tax == 0
        assert purchases.price_own(agreement, on=DAY + datetime.timedelta(days=1)).tax == D("89.10")

    def test_refuses_what_has_no_price(self):
        with pytest.raises(purchases.NoPriceToBuyError):
            purchases.price_own(AgreementFactory(purchase_price="0"), on=DAY)


class TestQuotePayoff:
    def quote(self, agreement, by, days=10):
        until = DAY + datetime.timedelta(days=days)
        return purchases.quote_payoff(agreement=agreement, valid_until=until, today=DAY, acting_user=by, now=NOON)

    def test_keeps_the_figures_and_asks_for_the_paper(self, agreement, bookkeeper):
        bill(agreement, 1, bookkeeper)
        pay(agreement, "26.65", bookkeeper)
        quote = self.quote(agreement, bookkeeper)
        assert (quote.price, quote.credit, quote.net, quote.tax) == (D("1080.00"), D("20.00"), D("1060.00"), D("87.45"))
        paper = Document.objects.get(key=f"payoff-quote/{quote.pk}")
        assert (paper.kind, paper.payload["page"]["total"]) == ("payoff_quote", "1147.45")

    def test_holds_on_its_last_day_and_no_longer(self, agreement, bookkeeper):
        quote = self.quote(agreement, bookkeeper)
        assert purchases.price_quoted(agreement, quote, on=quote.valid_until).net == D("1080.00")
        with pytest.raises(purchases.QuoteExpiredError, match="Make a new quote"):
            purchases.price_quoted(agreement, quote, on=quote.valid_until + datetime.timedelta(days=1))

    def test_never_costs_more_than_the_day_itself(self, agreement, bookkeeper):
        quote = self.quote(agreement, bookkeeper)
        bill(agreement, 1, bookkeeper)
        pay(agreement, "26.65", bookkeeper)
        assert purchases.price_quoted(agreement, quote, on=DAY).net == D("1060.00")

    def test_holds_no_more_when_its_rent_came_back(self, agreement, bookkeeper):
        bill(agreement, 1, bookkeeper)
        paid = pay(agreement, "26.65", bookkeeper)
        quote = self.quote(agreement, bookkeeper)
        payments.return_payment(payment=paid, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        with pytest.raises(purchases.CreditNoLongerEarnedError, match=r"counted \$20.00 of credit, but \$0.00 is earned"):
            purchases.price_quoted(agreement, quote, on=DAY)

    @pytest.mark.parametrize("days", [-1, 61])
    def test_refuses_to_hold_a_price_too_long_or_into_the_past(self, agreement, bookkeeper, days):
        with pytest.raises(purchases.QuoteValidTooLongError):
            self.quote(agreement, bookkeeper, days)
        assert not PayoffQuote.objects.exists()


class TestRecordPurchase:
    def test_posts_price_credit_discount_and_tax(self, bookkeeper):
        version = PlanVersionFactory(number=2, early_purchase_discount=D("0.25"))
        agreement = AgreementFactory(plan_version=version)
        bill(agreement, 2, bookkeeper)
        pay(agreement, "53.30", bookkeeper)
        sold = sell(agreement, bookkeeper)
        assert posted(sold.charge.entry) == {
            chart.RECEIVABLES: D("844.35"),
            chart.CREDIT_APPLIED: D("40.00"),
            chart.PURCHASE_DISCOUNT: D("260.00"),
            chart.FLEET_SOLD: D("-1080.00"),
            chart.SALES_TAX: D("-64.35"),
        }
        lines = [(line.kind, line.is_tax, line.amount) for line in sold.charge.lines.order_by("position")]
        assert lines == [("instrument", False, D("780.00")), ("instrument", True, D("64.35"))]

    def test_needs_no_bill_where_rent_paid_the_whole_price(self, bookkeeper):
        agreement = AgreementFactory(purchase_price="40.00")
        bill(agreement, 2, bookkeeper)
        pay(agreement, "53.30", bookkeeper)
        sold = sell(agreement, bookkeeper)
        assert sold.charge is None
        assert posted(sold.entry) == {chart.CREDIT_APPLIED: D("40.00"), chart.FLEET_SOLD: D("-40.00")}
        assert Document.objects.filter(key=f"agreement/{agreement.pk}/bill-of-sale").exists()

    def test_gives_the_bill_of_sale_once_it_is_paid(self, agreement, bookkeeper):
        sold = sell(agreement, bookkeeper)
        assert not Document.objects.exists()
        assert not purchases.list_without_bill_of_sale().exists()
        pay(agreement, "1169.10", bookkeeper)
        assert Document.objects.get().key == f"agreement/{sold.agreement_id}/bill-of-sale"

    def test_a_job_finds_what_was_paid_in_another_way(self, agreement, bookkeeper):
        sold = sell(agreement, bookkeeper)
        taken = batches.PaymentTaken(agreement.household_id, "transfer", D("1169.10"), DAY, taken_at=NOON, cheque_number="")
        batches.record_payments(taken=[taken], acting_user=bookkeeper)
        waiting = purchases.list_without_bill_of_sale()
        assert [each.pk for each in waiting] == [sold.pk]
        jobs.make_bills_of_sale(NOON)
        assert Document.objects.get().kind == "bill_of_sale"
        assert not purchases.list_without_bill_of_sale().exists()

    def test_leaves_no_credit_behind(self, agreement, bookkeeper):
        bill(agreement, 1, bookkeeper)
        pay(agreement, "26.65", bookkeeper)
        sell(agreement, bookkeeper)
        left = queries.sum_rental_credit(agreement.pk)
        assert (left.credit, left.step_up_credit, left.earned, left.used) == (0, 0, D("20.00"), D("20.00"))


class TestStepUpPrice:
    def test_counts_the_share_for_a_better_one(self, bookkeeper):
        from tests.agreements.factories import OfficeFactory, TaxAreaFactory

        OfficeFactory()
        TaxAreaFactory()
        agreement = AgreementFactory(plan_version=PlanVersionFactory(number=3, step_up_share=D("0.6")))
        bill(agreement, 2, bookkeeper)
        pay(agreement, "53.30", bookkeeper)
        better = InstrumentFactory(item__purchase_price="2400.00")
        found = purchases.price_step_up(agreement, better, on=DAY)
        # 60 % of 40.00 rent paid: common practice, no source.
        assert (found.price, found.credit, found.discount, found.net) == (D("2400.00"), D("24.00"), 0, D("2376.00"))
        assert found.tax == D("196.02")

    def test_refuses_one_that_does_not_cost_more(self, agreement):
        with pytest.raises(purchases.NotABetterOneError):
            purchases.price_step_up(agreement, InstrumentFactory(item__purchase_price="1080.00"), on=DAY)


class TestCreditShortfalls:
    def test_flags_a_purchase_whose_credit_proved_unpaid(self, agreement, bookkeeper):
        bill(agreement, 2, bookkeeper)
        pay(agreement, "26.65", bookkeeper)
        second = pay(agreement, "26.65", bookkeeper)
        sell(agreement, bookkeeper)
        assert queries.list_credit_shortfalls() == []
        payments.return_payment(payment=second, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        row = queries.list_credit_shortfalls(agreement.household_id)[0]
        assert (row.agreement_number, row.used, row.earned, row.short) == (
            agreement.number,
            D("40.00"),
            D("20.00"),
            D("20.00"),
        )
        assert queries.sum_rental_credit(agreement.pk).short == D("20.00")
        assert queries.list_credit_shortfalls(0) == []

    def test_is_gone_when_the_rent_is_paid_after_all(self, agreement, bookkeeper):
        bill(agreement, 1, bookkeeper)
        paid = pay(agreement, "26.65", bookkeeper)
        sell(agreement, bookkeeper)
        payments.return_payment(payment=paid, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        assert len(queries.list_credit_shortfalls()) == 1
        pay(agreement, "26.65", bookkeeper)
        assert queries.list_credit_shortfalls() == []

    def test_follows_an_exchange(self, agreement, bookkeeper):
        bill(agreement, 1, bookkeeper)
        paid = pay(agreement, "26.65", bookkeeper)
        Agreement.objects.filter(pk=agreement.pk).update(ended_on=DAY, end_reason="exchanged")
        follower = AgreementFactory(
            household=agreement.household, follows=agreement, follows_by="exchange", tax_area=agreement.tax_area
        )
        assert queries.sum_rental_credit(follower.pk).credit == D("20.00")
        assert queries.sum_rental_credit(agreement.pk).credit == 0
        sell(follower, bookkeeper)
        payments.return_payment(payment=paid, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        assert [(row.agreement_number, row.short) for row in queries.list_credit_shortfalls()] == [(follower.number, D("20.00"))]


class TestCreditAfterAReturn:
    @pytest.fixture
    def returned(self, bookkeeper):
        """Returned on March 10 under a plan whose credit lives three months; 20.00 of rent was paid."""
        agreement = AgreementFactory(plan_version=PlanVersionFactory(number=4, credit_lives_months=3))
        bill(agreement, 1, bookkeeper)
        pay(agreement, "26.65", bookkeeper)
        Agreement.objects.filter(pk=agreement.pk).update(ended_on=DAY, end_reason="returned")
        return Agreement.objects.get(pk=agreement.pk)

    def test_waits_through_its_last_day(self, returned):
        last = datetime.date(2026, 6, 10)
        assert queries.sum_rental_credit(returned.pk, on=last).credit == D("20.00")
        assert queries.sum_rental_credit(returned.pk, on=last).lives_until == last
        assert queries.sum_rental_credit(returned.pk, on=last + datetime.timedelta(days=1)).credit == 0

    @pytest.mark.parametrize(("taken_up_on", "left"), [("2026-06-10", "20.00"), ("2026-06-11", "0.00")])
    def test_is_kept_by_a_reinstatement_in_time_only(self, returned, taken_up_on, left):
        follower = AgreementFactory(
            household=returned.household,
            follows=returned,
            follows_by="reinstatement",
            starts_on=datetime.date.fromisoformat(taken_up_on),
            tax_area=returned.tax_area,
        )
        assert queries.sum_rental_credit(follower.pk).credit == D(left)

    @pytest.mark.parametrize("months", [0, 1, 2, 3, 13, 24])
    @pytest.mark.parametrize("ended_on", ["2026-01-31", "2027-12-31", "2028-02-29", "2026-08-30"])
    def test_ends_on_the_day_the_database_knows(self, ended_on, months):
        from django.db import connection

        with connection.cursor() as cursor:
            cursor.execute("SELECT billing_credit_lives_until(%s::date, %s)", [ended_on, months])
            assert cursor.fetchone()[0] == rules.credit_lives_until(datetime.date.fromisoformat(ended_on), months)


class TestSettleRent:
    def test_bills_what_had_begun_and_was_not_billed(self, agreement, bookkeeper):
        done = charges.settle_rent(agreement=agreement, ended_on=DAY, acting_user=bookkeeper, now=NOON)
        assert [charge.period for charge in done.billed] == [0, 1]
        assert done.voided == ()

    def test_takes_back_a_period_that_begins_on_the_day_it_ends(self, agreement, bookkeeper):
        bill(agreement, 2, bookkeeper)
        pay(agreement, "53.30", bookkeeper)
        ended_on = datetime.date(2026, 2, 28)
        charges.settle_rent(agreement=agreement, ended_on=ended_on, acting_user=bookkeeper, now=NOON)
        assert queries.sum_balance(agreement.household_id) == D("-26.65")

    def test_bills_only_the_days_until_it_ends_where_the_plan_says_so(self, agreement, bookkeeper):
        bill(agreement, 2, bookkeeper)
        pay(agreement, "53.30", bookkeeper)
        done = charges.settle_rent(agreement=agreement, ended_on=DAY, acting_user=bookkeeper, now=NOON, by_days=True)
        # February 28 to March 10 is 10 of 31 days: 20.00 x 10/31 = 6.45 and tax 0.53; 5.00 x 10/31 = 1.61.
        assert [line.amount for line in done.billed[0].lines.order_by("position")] == [D("6.45"), D("0.53"), D("1.61")]
        assert queries.sum_balance(agreement.household_id) == D("-18.06")

    def test_leaves_out_what_a_hold_keeps_back(self, agreement, bookkeeper):
        from rentals.agreements.models import AgreementHold

        AgreementHold.objects.create(
            agreement=agreement,
            kind="hold",
            from_on=datetime.date(2026, 2, 10),
            reason="Moving house",
            made_at=NOON,
            made_by=bookkeeper,
        )
        done = charges.settle_rent(agreement=agreement, ended_on=DAY, acting_user=bookkeeper, now=NOON)
        assert [charge.period for charge in done.billed] == [0]
        assert life.state_of(agreement) == "on_hold"


class TestTheDatabase:
    def test_refuses_more_credit_than_is_earned(self, agreement, bookkeeper):
        bill(agreement, 1, bookkeeper)
        pay(agreement, "26.65", bookkeeper)
        price = purchases.price_own(agreement, on=DAY)
        too_good = purchases.PriceToBuy("own", price.price, D("20.01"), D(0), D("1059.99"), D(0), D(0), D(0))
        with pytest.raises(IntegrityError, match=r"uses 20\.01 of credit, but 20\.00 is earned"):
            sell(agreement, bookkeeper, price=too_good)

    def test_refuses_a_purchase_that_is_not_posted_as_it_says(self, agreement, bookkeeper, settings):
        sold = sell(agreement, bookkeeper)
        forged = Purchase.objects.filter(pk=sold.pk).values().get()
        other = AgreementFactory()
        with pytest.raises(IntegrityError, match="is not what its entry posts"), transaction.atomic():
            fee = charges.charge_fee(
                household=other.household, on=DAY, description="Fee", amount=D(5), acting_user=bookkeeper, now=NOON
            )
            changes = {"id": None, "agreement_id": other.pk, "charge_id": fee.pk, "instrument_id": InstrumentFactory().pk}
            Purchase.objects.create(**{**forged, **changes})

    def test_refuses_a_purchase_whose_agreement_runs_on(self, agreement, bookkeeper):
        from django.db import connection

        with pytest.raises(IntegrityError, match="did not end by the purchase"), transaction.atomic():
            sell(agreement, bookkeeper, reason="stepped_up")
            with connection.cursor() as cursor:
                cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")

    def test_keeps_one_purchase_of_an_agreement(self, agreement, bookkeeper):
        sell(agreement, bookkeeper)
        with pytest.raises(IntegrityError), transaction.atomic():
            purchases.record_purchase(
                agreement=agreement,
                instrument=InstrumentFactory(),
                price=purchases.PriceToBuy("own", D(10), D(0), D(0), D(10), D(0), D(0), D(0)),
                today=DAY,
                acting_user=BookkeeperFactory(),
                now=NOON,
            )


class TestScreenOfShortfalls:
    @pytest.fixture
    def short(self, agreement, bookkeeper):
        """A purchase on 20.00 of credit whose rent came back."""
        bill(agreement, 1, bookkeeper)
        paid = pay(agreement, "26.65", bookkeeper)
        sell(agreement, bookkeeper)
        payments.return_payment(payment=paid, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        return agreement

    def test_names_family_agreement_and_amount(self, client_as, short):
        page = client_as("bookkeeper").get("/books/credit/").content.decode()
        assert short.number in page
        assert short.household.number in page
        assert "$20.00" in page

    def test_is_told_on_the_agreement_and_the_household(self, client_as, short):
        client = client_as("specialist")
        for url in (f"/agreements/{short.pk}/", f"/households/{short.household_id}/"):
            assert "Credit that proved unpaid: $20.00" in client.get(url).content.decode(), url

    def test_says_when_there_is_none(self, client_as, agreement):
        client = client_as("bookkeeper")
        assert "no credit that proved unpaid waiting" in client.get("/books/credit/").content.decode()
        assert "proved unpaid" not in client.get(f"/agreements/{agreement.pk}/").content.decode()

    def test_is_not_for_a_specialist(self, client_as):
        assert client_as("specialist").get("/books/credit/").status_code == 403
