"""What a tablet takes along to a night: everything it needs to sign families up without a network, and nothing more.

Prices, taxes, plans and words come by the same queries as the counter's own sheet. No money that is owed, no telephone number
beyond its last four digits, no address of a family that is written down. Only forms that families filled in at home are whole.
"""

import datetime
import hashlib
import json
from collections.abc import Iterable
from typing import Any

from django.conf import settings
from django.db.models import Exists, F, OuterRef, Prefetch, Q

from rentals.agreements import queries, quotes, wording
from rentals.agreements.courtesy import plan_in_spanish
from rentals.agreements.models import PlanVersion, Rate, TaxArea
from rentals.counter.nights.intake.prices import Prices
from rentals.counter.signup.sheet import plan_words
from rentals.families.models import Guardian, Household, Student
from rentals.inventory.models import CatalogueItem, Custody, Instrument, Product
from rentals.inventory.reference import list_sizes
from rentals.portal import queries as portal
from rentals.runtime.templatetags.office import phone
from rentals.staff.models import Office
from schools import nights, wishes
from schools.models import ApprovedItem, Night, Programme, RequiredItem
from schools.queries import is_sold_by_us

FORMAT = 1
VERSION_LENGTH = 16
PHONE_END = 4


class NoPackError(Exception):
    """A tablet cannot take anything along: no plan is published, or no tax area is known."""


def make_pack(night: Night, *, made_at: datetime.datetime) -> dict[str, Any]:
    """Return the pack of a night as plain data; money and rates as strings. Sixteen queries.

    Raises NoPackError.
    """
    units = [line.instrument for line in nights.list_along(night)]
    programmes = list(wishes.with_wishes(night.programmes.select_related("school")).order_by("school__name", "kind"))
    items = _items(units, night)
    versions, rates = queries.list_offered_versions(), list(queries.list_rates(night.on))
    area, taxes = _taxes(night)
    office = Office.objects.first()
    if not versions:
        raise NoPackError("No plan is published yet: a manager publishes one under Terms.")
    prices = Prices(night.on, area, taxes, office)
    rows = prices.rows(items, versions, rates)
    asked = _required(programmes)
    body = {
        "format": FORMAT,
        "night": _night(night, programmes),
        "office": _office(office),
        "currency": settings.CURRENCY,
        "zone": settings.TIME_ZONE,
        "today": night.on.isoformat(),
        **_stock(items, units),
        "plans": [_plan(version) for version in versions],
        "prices": rows,
        "quotes": prices.quotes,
        "taxes": {**{sort: _rate(rate) for sort, rate in taxes.items()}, "area": area.name},
        "products": _products(asked),
        "required": _asked(asked),
        "approved": _approved(programmes),
        "usual_sizes": [{"programme": each.pk, **row} for each in programmes for row in wishes.usual_sizes(each)],
        "texts": {**prices.texts.as_dict(), "consent": {"version": wording.CONSENT_VERSION, "text": wording.consent_wording()}},
        "families": _families(programmes, area, night.on),
        "home_forms": portal.list_home_forms(night),
    }
    plain = json.dumps(body, sort_keys=True, default=str).encode()
    return {**body, "version": hashlib.sha256(plain).hexdigest()[:VERSION_LENGTH], "made_at": made_at.isoformat()}


def _items(units: list[Instrument], night: Night) -> list[CatalogueItem]:
    """Return the models that are along, and those on a shelf of the shop, of which one can be assigned later."""
    here = Custody.objects.filter(
        instrument__item=OuterRef("pk"), ended_at=None, place=Custody.Place.SHELF, location=night.location
    )
    found = CatalogueItem.objects.filter(Q(Exists(here)) | Q(pk__in={unit.item_id for unit in units}))
    return list(found.select_related("kind").order_by("kind__order", "kind__name", "size", "tier", "maker", "model", "pk"))


def _taxes(night: Night) -> tuple[TaxArea, dict[str, Any]]:
    try:
        area = queries.get_tax_area(night.school.postal_code)
    except queries.NoTaxAreaError as error:
        raise NoPackError(str(error)) from error
    return area, queries.get_tax_rates(area, night.on)


def _night(night: Night, programmes: list[Programme]) -> dict[str, Any]:
    return {
        "id": night.pk,
        "school": night.school.name,
        "on": night.on.isoformat(),
        "room": night.room,
        "programmes": [
            {
                "id": each.pk,
                "kind": each.kind,
                "name": str(each),
                "starting_grade": each.starting_grade,
            }
            for each in programmes
        ],
    }


def _office(office: Office | None) -> dict[str, str]:
    if office is None:
        return dict.fromkeys(("name", "phone", "street", "city", "state", "postal_code"), "")
    place = {name: getattr(office, name) for name in ("name", "street", "city", "state", "postal_code")}
    return {**place, "phone": phone(office.phone)}


def _stock(items: list[CatalogueItem], units: list[Instrument]) -> dict[str, Any]:
    kinds = list({item.kind_id: item.kind for item in items}.values())
    return {
        "kinds": [
            {"code": kind.pk, "name": kind.name, "family": str(kind.family), "has_sizes": kind.has_sizes} for kind in kinds
        ],
        "sizes": [
            {
                "kind": kind.pk,
                "size": row.size,
                "arm_inches": None if row.arm_inches is None else str(row.arm_inches),
                "age_from": row.age_from,
                "age_to": row.age_to,
            }
            for kind in kinds
            for row in list_sizes(kind.pk)
        ],
        "items": [
            {
                "id": item.pk,
                "kind": item.kind_id,
                "size": item.size,
                "tier": item.tier,
                "tier_name": item.get_tier_display(),
                "name": str(item),
                "words": wording.model_in_words(item),
            }
            for item in items
        ],
        "units": [
            {
                "id": unit.pk,
                "tag": unit.asset_tag,
                "serial": unit.serial_number,
                "item": unit.item_id,
                "grade": unit.grade,
                "is_new": quotes.condition_of(unit) == Rate.Condition.NEW,
            }
            for unit in units
        ],
    }


def _plan(version: PlanVersion) -> dict[str, Any]:
    return {
        "version": version.pk,
        "title": version.title,
        "words": [plan_words(version)],
        "words_es": plan_in_spanish(version),
        "protection_required": version.protection_required,
        "covers": version.protection_covers,
    }


def _required(programmes: list[Programme]) -> list[RequiredItem]:
    rows = RequiredItem.objects.filter(Q(product=None) | Q(product__is_active=True), programme__in=programmes)
    return list(
        rows.select_related("product").order_by("programme", "kind", F("choice").asc(nulls_first=True), "product__name", "pk")
    )


def _products(asked: Iterable[RequiredItem]) -> list[dict[str, Any]]:
    products: dict[str, Product] = {row.product.pk: row.product for row in asked if row.product is not None}
    return [{"id": each.pk, "name": each.name, "price": str(each.price.amount)} for each in products.values()]


def _asked(asked: list[RequiredItem]) -> list[dict[str, Any]]:
    """Return the lists line by line. Of lines that stand for each other, those we sell are one, the others its `alternatives`.

    What the school or another shop sells of them stays a line, `instead_of` that one.
    """
    groups: dict[Any, list[RequiredItem]] = {}
    for row in asked:
        groups.setdefault((row.programme_id, row.kind_id, row.choice if row.choice is not None else -row.pk), []).append(row)
    return [line for group in groups.values() for line in _lines_of(group)]


def _lines_of(group: list[RequiredItem]) -> list[dict[str, Any]]:
    ours = [row for row in group if is_sold_by_us(row)]
    elsewhere = [row for row in group if row not in ours]
    first, *others = ours or elsewhere
    lines = [_line(first) | {"alternatives": [row.product_id for row in others], "quantities": _counts(ours)}] if ours else []
    return [*lines, *(_line(row) | {"instead_of": "" if row == first else first.what} for row in elsewhere)]


def _counts(rows: list[RequiredItem]) -> dict[str, int]:
    return {row.product_id: row.quantity for row in rows if row.product_id is not None}


def _line(row: RequiredItem) -> dict[str, Any]:
    return {
        "programme": row.programme_id,
        "kind": row.kind_id,
        "product": row.product_id,
        "name": row.what,
        "words": row.words,
        "quantity": row.quantity,
        "alternatives": [],
        "sold_by": str(row.sold_by),
    }


def _approved(programmes: list[Programme]) -> list[dict[str, Any]]:
    """Return the models a director approves, by programme and kind, along or not; a kind without a line may be any."""
    found: dict[tuple[int, str], list[int]] = {}
    for row in ApprovedItem.objects.filter(programme__in=programmes).select_related("item").order_by("programme", "item"):
        found.setdefault((row.programme_id, row.item.kind_id), []).append(row.item_id)
    return [{"programme": programme, "kind": kind, "items": ids} for (programme, kind), ids in found.items()]


def _families(programmes: list[Programme], area: TaxArea, on: datetime.date) -> list[dict[str, Any]]:
    """Return the families with a student in these programmes: names, city, last digits. `exempt` ones sign at the counter."""
    students = Student.objects.filter(programme__in=programmes).values("household")
    exempt = queries.list_exempt(area, on)
    homes = (
        Household.objects.filter(pk__in=students)
        .order_by("name", "pk")
        .annotate(exempt=Exists(exempt.filter(household=OuterRef("pk"))))
    )
    adults = Guardian.objects.order_by("-is_primary", "pk")
    children = Student.objects.order_by("given_name", "pk")
    return [
        {
            "household": home.pk,
            "number": home.number,
            "name": home.name,
            "city": home.city,
            "exempt": home.exempt,
            "guardians": [
                {
                    "id": each.pk,
                    "given_name": each.given_name,
                    "family_name": each.family_name,
                    "phone_end": each.phone[-PHONE_END:],
                }
                for each in home.guardians.all()
            ],
            "students": [
                {
                    "id": each.pk,
                    "given_name": each.given_name,
                    "family_name": each.family_name,
                    "grade": each.grade,
                    "programme": each.programme_id,
                }
                for each in home.students.all()
            ],
        }
        for home in homes.prefetch_related(Prefetch("guardians", queryset=adults), Prefetch("students", queryset=children))
    ]


def _rate(rate: Any) -> str:
    return f"{rate.normalize():f}" if rate else "0"
