"""Buying an instrument: what it costs on a day, the price quoted until a day, the sale itself, and its papers.

The flows that end the agreement and move the instruments stand in `rentals.counter.life.buying`.
"""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from django.db import IntegrityError, transaction
from django.db.models import CharField, Exists, F, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Cast, Coalesce, Concat

from billing import charges, chart, ledger, purchase_papers, queries
from billing.models import Allocation, Charge, ChargeLine, JournalEntry, PayoffQuote, Purchase
from rentals.agreements import queries as terms
from rentals.agreements import rules
from rentals.agreements.models import Agreement
from rentals.documents.models import Document
from rentals.inventory.models import CatalogueItem, Instrument
from rentals.runtime.money import ZERO, cents, tax_on
from rentals.runtime.templatetags.office import day, money
from rentals.staff.models import User

VALID_DAYS = 10
"""So many days a quoted price holds unless somebody says otherwise: common practice, no source."""
LONGEST_VALID_DAYS = 60


class QuoteExpiredError(Exception):
    """The quoted price held until a day that has passed."""

    def __init__(self, quote: PayoffQuote) -> None:
        self.quote = quote
        super().__init__(f"The price quoted on {day(quote.made_at)} held until {day(quote.valid_until)}. Make a new quote.")


class CreditNoLongerEarnedError(Exception):
    """The quote counted on rent that was returned since."""

    def __init__(self, quote: PayoffQuote, earned: Decimal) -> None:
        self.quote, self.earned = quote, earned
        super().__init__(
            f"The price quoted on {day(quote.made_at)} counted {money(quote.credit)} of credit, but {money(earned)} is earned "
            "now: rent that was paid then came back since. Make a new quote."
        )


class NoPriceToBuyError(Exception):
    """The catalogue or the agreement has no price to buy it at."""

    def __init__(self, item: CatalogueItem) -> None:
        self.item = item
        super().__init__(f"{item} has no purchase price, so it cannot be sold. A manager can set one in the catalogue.")


class NotABetterOneError(Exception):
    """A step-up must lead to an instrument that costs more."""

    def __init__(self, better: Instrument, least: Decimal) -> None:
        self.better = better
        super().__init__(
            f"{better.asset_tag} costs {money(better.item.purchase_price)}: a step-up leads to one that costs more than the "
            f"{money(least)} of the rented one. To buy this kind of instrument without a step-up, exchange it first."
        )


class PriceChangedError(Exception):
    """Between showing and buying, the price changed: the family must see the new one first."""

    def __init__(self, shown: Decimal, now: Decimal) -> None:
        self.shown, self.now = shown, now
        super().__init__(f"The price was {money(shown)} when it was shown and is {money(now)} now. Look at it again, then go on.")


class QuoteValidTooLongError(Exception):
    """A quote may hold from today for so many days, not longer."""

    def __init__(self) -> None:
        super().__init__(f"Let the price hold from today on, and for {LONGEST_VALID_DAYS} days at most.")


@dataclass(frozen=True)
class PriceToBuy:
    """What an instrument costs on a day, step by step; `total` is what the family owes with what is past due."""

    kind: str
    price: Decimal
    credit: Decimal
    discount: Decimal
    net: Decimal
    tax_rate: Decimal
    tax: Decimal
    past_due: Decimal

    @property
    def sale(self) -> Decimal:
        """What the sale itself comes to."""
        return self.net + self.tax

    @property
    def total(self) -> Decimal:
        """The sale and what is past due."""
        return self.sale + self.past_due


def price_own(agreement: Agreement, *, on: datetime.date, credit: Decimal | None = None) -> PriceToBuy:
    """Return what the instrument in hand costs on a day, at the price signed; `credit` where it is known already.

    Raises NoPriceToBuyError.
    """
    version, price = agreement.plan_version, agreement.purchase_price.amount
    if price <= 0:
        raise NoPriceToBuyError(agreement.item)
    if credit is None:
        credit = queries.sum_rental_credit(agreement.pk, on=on).credit
    rate = _goods_rate(agreement.household_id, agreement.tax_area_id, on)
    bought = rules.payoff(
        purchase_price=price, credit=credit, early_discount=version.early_purchase_discount, tax_rate=rate, past_due=ZERO
    )
    due = queries.sum_open_lines(agreement.household_id, due_through=on)
    return PriceToBuy(Purchase.Kind.OWN, bought.purchase_price, bought.credit, bought.discount, bought.net, rate, bought.tax, due)


def price_step_up(agreement: Agreement, better: Instrument, *, on: datetime.date) -> PriceToBuy:
    """Return what a better instrument from the shelf costs with the step-up share of the credit, at the catalogue's price.

    It is received at the shop, so the shop's own tax area counts. The early-purchase discount is for the instrument in hand
    only. Raises NotABetterOneError, NoTaxAreaError.
    """
    version, price = agreement.plan_version, better.item.purchase_price.amount
    if price <= agreement.purchase_price.amount:
        raise NotABetterOneError(better, agreement.purchase_price.amount)
    rent = queries.sum_rental_credit(agreement.pk, on=on).rent_paid
    credit = rules.rent_credit(rent, version.step_up_share, price * version.credit_cap)
    rate = _goods_rate(agreement.household_id, terms.get_tax_area("").pk, on)
    net = cents(price) - credit
    due = queries.sum_open_lines(agreement.household_id, due_through=on)
    return PriceToBuy(Purchase.Kind.STEP_UP, cents(price), credit, ZERO, net, rate, tax_on(net, rate), due)


def price_quoted(agreement: Agreement, quote: PayoffQuote, *, on: datetime.date) -> PriceToBuy:
    """Return what the instrument costs by a quote: its price, credit and discount stay, tax is of the day.

    Where more rent was paid since, so that the day's own price is lower, the family pays that. Raises QuoteExpiredError and
    CreditNoLongerEarnedError.
    """
    if on > quote.valid_until:
        raise QuoteExpiredError(quote)
    current = price_own(agreement, on=on)
    if quote.credit > current.credit:
        raise CreditNoLongerEarnedError(quote, current.credit)
    if current.net <= quote.net:
        return current
    return PriceToBuy(
        Purchase.Kind.OWN,
        quote.price,
        quote.credit,
        quote.discount,
        quote.net,
        current.tax_rate,
        tax_on(quote.net, current.tax_rate),
        current.past_due,
    )


def _goods_rate(household_id: int, area: str, on: datetime.date) -> Decimal:
    return terms.get_household_tax_rates(household_id, area, on).get(ChargeLine.Kind.GOODS.value, ZERO)


def get_open_quote(agreement: Agreement, *, on: datetime.date) -> PayoffQuote | None:
    """Return the newest quote of an agreement that still holds on a day."""
    return PayoffQuote.objects.filter(agreement=agreement, valid_until__gte=on).order_by("-made_at", "-pk").first()


@transaction.atomic
def quote_payoff(
    *, agreement: Agreement, valid_until: datetime.date, today: datetime.date, acting_user: User, now: datetime.datetime
) -> PayoffQuote:
    """Write down what the instrument in hand costs, good through a day (inclusive), with its document for the family.

    A step of the counter's flow, which has locked household and agreement. Raises QuoteValidTooLongError, NoPriceToBuyError.
    """
    if not today <= valid_until <= today + datetime.timedelta(days=LONGEST_VALID_DAYS):
        raise QuoteValidTooLongError
    price = price_own(agreement, on=today)
    quote = PayoffQuote.objects.create(
        agreement=agreement,
        made_at=now,
        made_by=acting_user,
        valid_until=valid_until,
        price=price.price,
        credit=price.credit,
        discount=price.discount,
        net=price.net,
        tax=price.tax,
        past_due=price.past_due,
    )
    purchase_papers.ask_for_quote(quote=quote, on=today, now=now)
    return quote


@transaction.atomic
def record_purchase(
    *,
    agreement: Agreement,
    instrument: Instrument,
    price: PriceToBuy,
    today: datetime.date,
    acting_user: User,
    now: datetime.datetime,
    quote: PayoffQuote | None = None,
) -> Purchase:
    """Sell an instrument: bill what is left after the credit with its tax, and write the sale down.

    Debit what the family owes, the credit applied and the discount; credit the full price and the tax. Where credit and
    discount pay the whole price there is no bill, only the entry. A step of the counter's flow, which has locked household,
    agreement and instrument and ends the agreement. Raises CreditNoLongerEarnedError when the database finds less credit.
    """
    sold = Purchase(
        pk=ledger.next_id(Purchase),
        agreement=agreement,
        kind=price.kind,
        instrument=instrument,
        quote=quote,
        bought_on=today,
        price=price.price,
        credit_used=price.credit,
        discount=price.discount,
        net=price.net,
        tax=price.tax,
        made_at=now,
        made_by=acting_user,
    )
    against = [
        ledger.Line(chart.CREDIT_APPLIED, price.credit),
        ledger.Line(chart.PURCHASE_DISCOUNT, price.discount),
        ledger.Line(chart.FLEET_SOLD, -price.price),
        ledger.Line(chart.SALES_TAX, -price.tax),
    ]
    memo = f"{instrument.asset_tag} sold, {agreement.number}"
    if price.sale:
        sold.charge = _charge_of(sold, price, against, memo)
    else:
        sold.entry = ledger.post_entry(
            entry_on=ledger.open_day(today),
            kind=JournalEntry.Kind.CHARGE,
            memo=memo,
            source=f"purchase/{sold.pk}",
            postings=against,
            acting_user=acting_user,
            now=now,
        )
    _save(sold, quote)
    ask_for_bills_of_sale(purchases=[sold], now=now)
    return sold


def _charge_of(sold: Purchase, price: PriceToBuy, against: list[ledger.Line], memo: str) -> Charge:
    agreement = sold.agreement
    words = {Purchase.Kind.OWN: "The instrument, bought", Purchase.Kind.STEP_UP: "A better instrument, bought"}
    rate = price.tax_rate if price.tax else ZERO
    lines = charges.with_tax(ChargeLine.Kind.INSTRUMENT, words[Purchase.Kind(price.kind)], price.net, rate)
    charge = Charge(household_id=agreement.household_id, agreement=agreement, kind=Charge.Kind.PURCHASE, due_on=sold.bought_on)
    return charges.write_charge(charge, lines, memo=memo, acting_user=sold.made_by, now=sold.made_at, against=against)


def _save(sold: Purchase, quote: PayoffQuote | None) -> None:
    """Write the sale; what the database says of its credit is told in a person's words."""
    try:
        with transaction.atomic():
            sold.save(force_insert=True)
    except IntegrityError as error:
        if getattr(getattr(error.__cause__, "diag", None), "constraint_name", "") == "purchase_credit_was_earned" and quote:
            raise CreditNoLongerEarnedError(quote, queries.sum_rental_credit(sold.agreement_id).earned) from error
        raise


def is_paid(purchase: Purchase) -> bool:
    """Tell whether everything billed for a purchase is paid; one that rent alone paid is."""
    if purchase.charge_id is None:
        return True
    paid = Allocation.objects.filter(line__charge=purchase.charge_id, released_at=None).aggregate(sum=Sum("amount"))["sum"]
    return bool((paid or ZERO) >= purchase.net + purchase.tax)


@transaction.atomic
def ask_for_bills_of_sale(*, purchases: Iterable[Purchase], now: datetime.datetime) -> list[Document]:
    """Ask for the bill of sale of those purchases that are paid; it passes the instrument on, so it is made once paid."""
    return [purchase_papers.ask_for_bill_of_sale(purchase=each, now=now) for each in purchases if is_paid(each)]


def list_without_bill_of_sale(household_id: int | None = None) -> QuerySet[Purchase]:
    """List the purchases that are paid and for which no bill of sale was asked yet, oldest first; of one household or of all."""
    key = Concat(Value("agreement/"), Cast(OuterRef("agreement_id"), CharField()), Value("/bill-of-sale"))
    sums = Allocation.objects.filter(line__charge=OuterRef("charge"), released_at=None).order_by().values("line__charge")
    waiting = Purchase.objects.filter(~Exists(Document.objects.filter(key=key))).annotate(
        paid=Coalesce(Subquery(sums.annotate(sum=Sum("amount")).values("sum")), ZERO)
    )
    if household_id is not None:
        waiting = waiting.filter(agreement__household=household_id)
    paid = waiting.filter(Q(charge=None) | Q(paid__gte=F("net") + F("tax")))
    return paid.select_related("agreement", "charge").order_by("made_at", "pk")
