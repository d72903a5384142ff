"""What a family is told is what it is billed, to the cent: the quote against the sign-up and the billing that really run."""

import datetime
import uuid
from decimal import Decimal
from itertools import cycle, product

import pytest

from billing import charges
from billing.models import Charge, ChargeLine, Payment
from rentals.agreements import life, operations, queries
from rentals.agreements.models import PlanVersion, SignUpDraft, TaxExemption
from rentals.counter.signup.operations import FirstPayment, complete_sign_up
from tests.agreements.factories import OfficeFactory, PlanFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.agreements.test_operations import a_signup
from tests.factories import SpecialistFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, ProductFactory

pytestmark = pytest.mark.django_db

FIRST_DAYS = [datetime.date.fromisoformat(day) for day in ("2026-01-31", "2026-02-28", "2026-08-01", "2026-08-20")]
INTRODUCTIONS = [(0, None), (3, "59.99"), (3, None)]
DUE_DAYS = [None, 1, 15]
# What else may differ, each a few times in turn: protection taken, required; exempt; a new instrument; how many goods.
OTHERS = cycle(
    [
        (True, False, False, False, 2),
        (False, False, False, True, 0),
        (False, True, False, False, 1),
        (True, False, True, False, 3),
        (False, False, True, True, 0),
    ]
)
WAYS = [(*one, *next(OTHERS)) for one in product(FIRST_DAYS, INTRODUCTIONS, DUE_DAYS)]


def sign(starts_on, intro, due_day, protection, required, exempt, new, goods):
    """Sign a family up under such a plan; return its quote and its agreement."""
    OfficeFactory()
    area = TaxAreaFactory(rates={"rent": "0.07253", "protection": "0.0825", "goods": "0.06625"})
    months, price = intro
    version: PlanVersion = PlanVersionFactory(intro_months=months, due_day=due_day, protection_required=required)
    item = CatalogueItemFactory()
    RateFactory(kind=item.kind, monthly_rent="28.77", monthly_protection="4.95", intro_rent=price)
    RateFactory(
        kind=item.kind, condition="new", plan=PlanFactory(), monthly_rent="33.33", effective_from=datetime.date(2021, 1, 1)
    )
    products = tuple((ProductFactory(sku=f"kit-{n}", price=f"{7 + n}.35"), n + 1) for n in range(goods))
    signup = a_signup(
        instrument=InstrumentFactory(item=item, grade="new" if new else "good"),
        plan_version=version,
        protection=protection,
        goods=products,
        starts_on=starts_on,
    )
    specialist, now = SpecialistFactory(), datetime.datetime.combine(starts_on, datetime.time(17), tzinfo=datetime.UTC)
    if exempt:
        TaxExemption.objects.create(
            household=signup.household,
            certificate_number="E-1",
            from_on=starts_on,
            expires_on=starts_on + datetime.timedelta(days=900),
            recorded_at=now,
            recorded_by=specialist,
        )
    quote = operations.quote_for(signup, signup.instrument)
    draft = SignUpDraft.objects.create(pk=signup.request_key, user=specialist, household=signup.household, updated_at=now)
    payment = FirstPayment("cash", quote.due_today)
    made = complete_sign_up(draft=draft, signup=signup, payment=payment, acting_user=specialist, now=now, today=starts_on)
    assert quote.tax_area == area
    return quote, made


def billed(charge: Charge) -> Decimal:
    return sum((line.amount for line in charge.lines.all()), Decimal(0))


class TestTheQuote:
    @pytest.mark.parametrize("way", WAYS, ids=lambda way: f"{way[0]} intro {way[1]} due {way[2]} {way[3:]}")
    def test_is_what_signing_bills_and_what_the_next_months_bill(self, way):
        quote, agreement = sign(*way)
        lines = ChargeLine.objects.filter(charge__household=agreement.household).order_by("charge", "position")
        assert [line.amount for line in lines if line.amount] == [line.amount for line in quote.due_today_lines if line.amount]
        assert sum(line.amount for line in lines) == quote.due_today == Payment.objects.get().amount
        told = [payment.amount for payment in quote.payments for _ in range(min(payment.times or 4, 4))]
        for period in (1, 2, 3):
            made = charges.charge_period(
                agreement=agreement, period=period, acting_user=SpecialistFactory(), now=agreement.signed_at
            )
            assert billed(made) == told[period]
        assert not way[5] or not any(line.is_tax and line.amount for line in lines)
        assert life.list_segments(agreement) == quote.segments

    def test_lets_a_free_introduction_be_signed_with_nothing_due_and_bills_what_comes_after(self):
        quote, agreement = sign(FIRST_DAYS[3], (3, "0.00"), None, False, False, False, False, 0)
        assert (quote.due_today, Charge.objects.count(), Payment.objects.count()) == (0, 0, 0)
        made = charges.charge_period(agreement=agreement, period=1, acting_user=SpecialistFactory(), now=agreement.signed_at)
        assert (made.due_on, billed(made)) == (datetime.date(2026, 11, 20), quote.payments[1].amount)

    def test_takes_the_price_of_the_plan_and_of_a_new_instrument(self):
        quote, agreement = sign(FIRST_DAYS[2], (0, None), None, False, False, False, True, 0)
        assert agreement.monthly_rent.amount == quote.prices.monthly_rent == Decimal("33.33")

    def test_counts_the_payments_that_billing_takes_to_the_price(self):
        quote, agreement = sign(FIRST_DAYS[3], (3, "59.99"), 1, False, False, False, False, 0)
        rent = Decimal(0)
        for period in range(quote.payments_until_owned):
            assert rent < agreement.purchase_price.amount
            if period:
                charges.charge_period(
                    agreement=agreement, period=period, acting_user=SpecialistFactory(), now=agreement.signed_at
                )
            rent += agreement.charges.get(period=period).lines.get(kind="rent", is_tax=False).amount
        assert rent >= agreement.purchase_price.amount
        total = ChargeLine.objects.filter(charge__agreement=agreement)
        assert sum(line.amount for line in total) == quote.total_to_own

    def test_refuses_to_be_signed_under_a_draft(self):
        OfficeFactory()
        TaxAreaFactory()
        draft = PlanVersionFactory(published_at=None)
        with pytest.raises(queries.NoPlanVersionError):
            operations.sign_agreement(
                signup=a_signup(plan_version=draft, request_key=uuid.uuid4(), starts_on=FIRST_DAYS[0]),
                acting_user=SpecialistFactory(),
                now=datetime.datetime(2026, 1, 31, 17, tzinfo=datetime.UTC),
                today=FIRST_DAYS[0],
            )
