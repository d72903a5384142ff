"""The prices of a pack: what `quotes.make_quote` says for every model, condition and plan, and the text that belongs to each."""

import datetime
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from rentals.agreements import night_text, quotes
from rentals.agreements.models import Agreement, PlanVersion, Rate, TaxArea
from rentals.agreements.quotes import Quote, QuoteLine
from rentals.inventory.models import CatalogueItem
from rentals.staff.models import Office


class Prices:
    """Prices while they are gathered: what several models share stands once in `quotes`, and every text once in `texts`."""

    def __init__(self, on: datetime.date, area: TaxArea, taxes: Mapping[str, Decimal], office: Office | None) -> None:
        self.on, self.area, self.taxes, self.office = on, area, taxes, office
        self.texts = night_text.begin(Agreement.ReceivedAt.SCHOOL, on)
        self.quotes: list[dict[str, Any]] = []
        self._places: dict[tuple[Any, ...], int] = {}

    def rows(
        self, items: Iterable[CatalogueItem], versions: Sequence[PlanVersion], rates: Sequence[Rate]
    ) -> list[dict[str, Any]]:
        """Return a row for every model, condition and plan that has a price."""
        lines: dict[tuple[str, str], list[Rate]] = {}
        for rate in rates:
            lines.setdefault((rate.kind_id, str(rate.tier)), []).append(rate)
        rows = []
        for item in items:
            fitting = lines.get((item.kind_id, str(item.tier)), [])
            for version in versions:
                for condition in (Rate.Condition.NEW, Rate.Condition.RETURNED):
                    found = quotes.pick_rate(fitting, plan=version.plan_id, condition=condition)
                    if found is not None:
                        rows.append(self._row(item, version, found, condition))
        return rows

    def _row(self, item: CatalogueItem, version: PlanVersion, rate: Rate, condition: str) -> dict[str, Any]:
        taken = self._quote(item, version, rate, protection=True)
        left = None if version.protection_required else self._quote(item, version, rate, protection=False)
        first = self.quotes[taken]
        return {
            "item": item.pk,
            "is_new": condition == Rate.Condition.NEW,
            "plan_version": version.pk,
            "rent": str(rate.monthly_rent.amount),
            "protection": str(rate.monthly_protection.amount),
            "purchase_price": str(item.purchase_price.amount),
            "replacement_value": str(item.replacement_value.amount),
            "minimum_months": None,
            "first_rent": first["first_rent"],
            "first_protection": first["first_protection"],
            "first_note": first["first_note"],
            "with": taken,
            "without": left,
        }

    def _quote(self, item: CatalogueItem, version: PlanVersion, rate: Rate, *, protection: bool) -> int:
        money = (item.purchase_price.amount, item.replacement_value.amount)
        key = (rate.pk, version.pk, protection, *money)
        if key not in self._places:
            quote = quotes.make_quote(
                item=item,
                plan_version=version,
                rate=rate,
                protection=protection,
                goods=(),
                tax_area=self.area,
                tax_rates=self.taxes,
                starts_on=self.on,
            )
            self._places[key] = len(self.quotes)
            self.quotes.append(self._as_dict(quote))
        return self._places[key]

    def _as_dict(self, quote: Quote) -> dict[str, Any]:
        first_due = quote.first.begins_on <= quote.starts_on
        return {
            "due_lines": _lines(quote.due_today_lines),
            "due": str(quote.due_today),
            "monthly_lines": _lines(quote.monthly_lines),
            "each_month": str(quote.each_month),
            "first_rent": str(quote.first.rent) if first_due else "0.00",
            "first_protection": str(quote.first.protection) if first_due else "0.00",
            "first_note": quote.first.note,
            "next_due_on": quote.next_due_on.isoformat(),
            "payments_until_owned": quote.payments_until_owned,
            "total_to_own": None if quote.total_to_own is None else str(quote.total_to_own),
            "cash_price": str(quote.cash_price),
            "minimum_until": quote.minimum_until and quote.minimum_until.isoformat(),
            "sections": self.texts.add(quote, self.office, Agreement.ReceivedAt.SCHOOL),
        }


def _lines(lines: Iterable[QuoteLine]) -> list[dict[str, Any]]:
    return [{"kind": line.kind, "words": line.description, "amount": str(line.amount), "is_tax": line.is_tax} for line in lines]
