"""What a rental costs, before and after it is signed: lines due today, each payment, until owned. Pure; one currency."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cached_property

from django.utils.translation import gettext as _

from rentals.agreements import bills
from rentals.agreements.models import PlanVersion, Rate, TaxArea
from rentals.agreements.periods import PeriodToBill, Segment, first_segments, minimum_until, period_at
from rentals.inventory.models import CatalogueItem, Instrument, Product
from rentals.runtime.money import ZERO, cents, tax_on


@dataclass(frozen=True)
class QuoteLine:
    """One line of what is to pay; tax stands on its own line after the line it taxes."""

    kind: str
    description: str
    amount: Decimal
    tax_rate: Decimal | None = None

    @property
    def is_tax(self) -> bool:
        """Whether this is the tax on the line before."""
        return self.tax_rate is not None


@dataclass(frozen=True)
class Prices:
    """The prices an agreement is made at: from today's rate card and catalogue, or as signed."""

    monthly_rent: Decimal
    monthly_protection: Decimal
    purchase_price: Decimal
    replacement_value: Decimal
    intro_rent: Decimal | None = None


@dataclass(frozen=True)
class Payment:
    """A payment that falls due `times` times, first for `period`; None is for as long as it is rented.

    `amount` is all of it with tax, `to_own` the part of it that leads to owning: rent, and protection where the plan asks for it.
    """

    period: PeriodToBill
    amount: Decimal
    to_own: Decimal
    times: int | None = 1

    @property
    def is_monthly(self) -> bool:
        """Whether it is the payment of a plain month."""
        return self.period.months == 1 and not self.period.is_part


@dataclass(frozen=True)
class Quote:
    """What a family is told before it signs. `monthly_protection` is nothing when protection is not taken.

    `segments` are the terms it is billed by; rent is owed up to `minimum_until` (exclusive) at least. Where payments are counted,
    introductory period and bridge are one each, and credit brought along from an agreement before is left out.
    """

    item: CatalogueItem
    plan_version: PlanVersion
    tax_area: TaxArea
    starts_on: date
    prices: Prices
    protection: bool
    protection_offered: Decimal
    tax_rates: Mapping[str, Decimal]
    segments: tuple[Segment, ...]
    goods_lines: tuple[QuoteLine, ...]
    minimum_until: date | None
    brings_credit: bool = False

    @cached_property
    def payments_until_owned(self) -> int | None:
        """How many payments make it the family's own; None when rent alone never leads there."""
        return bills.payments_until_owned(self.segments, self.buying)

    @cached_property
    def total_to_own(self) -> Decimal | None:
        """What these payments come to with tax; protection is in it where the plan requires it, goods and fees are not."""
        count = self.payments_until_owned
        required = self.plan_version.protection_required
        return None if count is None else bills.sum_until(self.segments, self.tax_rates, count, with_protection=required)

    @property
    def first(self) -> PeriodToBill:
        """The first period."""
        return period_at(self.segments, 0)

    @property
    def month(self) -> PeriodToBill:
        """The first plain month."""
        return period_at(self.segments, self.segments[-1].first_period)

    @property
    def first_lines(self) -> tuple[QuoteLine, ...]:
        """The lines of the first period, as the charge of it will have them."""
        return period_lines(self.first, self.tax_rates)

    @property
    def monthly_lines(self) -> tuple[QuoteLine, ...]:
        """The lines of a plain month."""
        return period_lines(self.month, self.tax_rates)

    @property
    def due_today_lines(self) -> tuple[QuoteLine, ...]:
        """The first period's lines, unless it begins later, then the goods taken along."""
        return (self.first_lines if self.first.begins_on <= self.starts_on else ()) + self.goods_lines

    @property
    def due_today(self) -> Decimal:
        """What is to pay at signing."""
        return _total(self.due_today_lines)

    @property
    def each_month(self) -> Decimal:
        """What is to pay every plain month, with tax at today's rates."""
        return _total(self.monthly_lines)

    @property
    def goods_total(self) -> Decimal:
        """What the goods cost with tax."""
        return _total(self.goods_lines)

    @property
    def next_due_on(self) -> date:
        """The day the first period that is not due at signing begins and falls due."""
        return self.first.begins_on if self.first.begins_on > self.starts_on else period_at(self.segments, 1).begins_on

    @property
    def months_from(self) -> date:
        """The first day after today on which a plain month falls due."""
        later = self.segments[-1].first_period or self.first.begins_on > self.starts_on
        return self.month.begins_on if later else self.next_due_on

    @property
    def payments(self) -> tuple[Payment, ...]:
        """Every payment of rent and protection in order: what comes before the plain months one by one, then those together."""
        before, count = self.segments[-1].first_period, self.payments_until_owned
        single = [self._payment(n) for n in range(before if count is None else min(before, count))]
        if count is not None and count <= before:
            return tuple(single)
        return (*single, replace(self._payment(before), times=None if count is None else count - before))

    @property
    def owned_on(self) -> date | None:
        """The day the last payment until owned falls due; None when rent alone never leads there."""
        count = self.payments_until_owned
        return None if count is None else period_at(self.segments, max(count - 1, 0)).begins_on

    @property
    def is_taxed(self) -> bool:
        """Whether any of it is taxed: an exempt household pays no tax, and an area need not tax everything."""
        return any(self.tax_rates.values())

    @property
    def cash_price(self) -> Decimal:
        """The purchase price with tax: what the family would pay to buy the instrument now and not rent it."""
        return self.prices.purchase_price + tax_on(self.prices.purchase_price, self.tax_rates["goods"])

    @property
    def cost_of_renting(self) -> Decimal | None:
        """How much more than the cash price it costs to rent until owned; None when rent alone never leads there."""
        return None if self.total_to_own is None else max(self.total_to_own - self.cash_price, ZERO)

    @property
    def price_left(self) -> Decimal:
        """What of the purchase price rent can never cover, before tax."""
        return self.prices.purchase_price - cents(self.prices.purchase_price * self.plan_version.credit_cap)

    @property
    def buying(self) -> bills.Buying:
        """How rent leads to owning under this quote."""
        version = self.plan_version
        return bills.Buying(self.prices.purchase_price, version.credit_share, version.credit_cap, version.early_purchase_discount)

    def following(self, segments: tuple[Segment, ...], *, minimum_until: date | None) -> "Quote":
        """Return the quote of an agreement that follows another: by these terms, if there are any, and by its minimum term."""
        return replace(self, segments=segments or self.segments, minimum_until=minimum_until, brings_credit=True)

    def _payment(self, n: int) -> Payment:
        period, required = period_at(self.segments, n), self.plan_version.protection_required
        lines = period_lines(period, self.tax_rates)
        to_own = lines if required else [line for line in lines if line.kind == "rent"]
        return Payment(period, _total(lines), _total(to_own))


def make_quote(
    *,
    item: CatalogueItem,
    plan_version: PlanVersion,
    rate: Rate,
    protection: bool,
    goods: Iterable[tuple[Product, int]],
    tax_area: TaxArea,
    tax_rates: Mapping[str, Decimal],
    starts_on: date,
) -> Quote:
    """Put prices, tax rates (fractions by sort of line) and goods together into a quote. Tax is rounded line by line.

    A plan that requires protection is quoted with it, whatever `protection` says.
    """
    protection = protection or plan_version.protection_required
    prices = Prices(
        monthly_rent=rate.monthly_rent.amount,
        monthly_protection=rate.monthly_protection.amount if protection else ZERO,
        purchase_price=item.purchase_price.amount,
        replacement_value=item.replacement_value.amount,
        intro_rent=rate.intro_rent.amount if rate.intro_rent is not None and plan_version.intro_months else None,
    )
    segments = first_segments(
        starts_on=starts_on,
        rent=prices.monthly_rent,
        protection=prices.monthly_protection,
        intro_months=plan_version.intro_months,
        intro_rent=prices.intro_rent,
        due_day=plan_version.due_day,
    )
    return Quote(
        item=item,
        plan_version=plan_version,
        tax_area=tax_area,
        starts_on=starts_on,
        prices=prices,
        protection=protection,
        protection_offered=rate.monthly_protection.amount,
        tax_rates=tax_rates,
        segments=segments,
        goods_lines=goods_lines(goods, tax_rates),
        minimum_until=minimum_until(starts_on, plan_version.minimum_term, plan_version.school_year_ends),
    )


def condition_of(instrument: Instrument) -> str:
    """Return which lines of the rate card an instrument is let at: "new" when it was never out, else "returned"."""
    return Rate.Condition.NEW if instrument.grade == Instrument.Grade.NEW else Rate.Condition.RETURNED


def pick_rate(rates: Iterable[Rate], *, plan: str, condition: str) -> Rate | None:
    """Return the line that holds for a plan's code and a condition among lines in force of one kind and tier; None without any.

    A line of the plan goes before a line of any plan, then a line of the condition before a line of any.
    """
    fitting = [rate for rate in rates if rate.plan_id in {None, plan} and rate.condition in {Rate.Condition.ANY, condition}]
    return min(fitting, key=lambda rate: (rate.plan_id is None, rate.condition == Rate.Condition.ANY), default=None)


def period_lines(period: PeriodToBill, tax_rates: Mapping[str, Decimal]) -> tuple[QuoteLine, ...]:
    """Return a period's lines: rent and its tax, then protection and its tax when it is taken. A tax of nothing has no line."""
    lines = _with_tax("rent", _("Rent") + period.note, period.rent, tax_rates["rent"], _("Tax on rent"))
    if period.protection:
        words = _("Protection") + period.note
        lines += _with_tax("protection", words, period.protection, tax_rates["protection"], _("Tax on protection"))
    return lines


def goods_lines(goods: Iterable[tuple[Product, int]], tax_rates: Mapping[str, Decimal]) -> tuple[QuoteLine, ...]:
    """Return a line for every product taken along, each followed by its tax."""
    lines: tuple[QuoteLine, ...] = ()
    for product, quantity in goods:
        name = product.name if quantity == 1 else f"{quantity} × {product.name}"
        lines += _with_tax("goods", name, product.price.amount * quantity, tax_rates["goods"], _("Tax on %s") % name)
    return lines


def _with_tax(kind: str, words: str, amount: Decimal, rate: Decimal, tax_words: str) -> tuple[QuoteLine, ...]:
    line, tax = QuoteLine(kind, words, amount), tax_on(amount, rate)
    return (line, QuoteLine(kind, tax_words, tax, rate)) if tax else (line,)


def _total(lines: Iterable[QuoteLine]) -> Decimal:
    return sum((line.amount for line in lines), ZERO)
