"""Every read of terms that a screen, a job or a higher room shares: rates in force, tax areas, plan versions, agreements."""

import copy
from collections.abc import Iterable
from datetime import date
from decimal import Decimal

from django.db.models import Case, Exists, F, OuterRef, Prefetch, Q, QuerySet, When
from django.db.models.functions import Left

from rentals.agreements.models import (
    Agreement,
    AgreementUnit,
    Plan,
    PlanVersion,
    Rate,
    SignUpDraft,
    TaxArea,
    TaxAreaPostalCode,
    TaxExemption,
    TaxRate,
    UnitPromise,
)
from rentals.agreements.quotes import Quote, condition_of, make_quote, pick_rate
from rentals.families.models import Household
from rentals.inventory.models import CatalogueItem, Instrument, InstrumentKind, Product
from rentals.runtime.money import ZERO
from rentals.staff.models import Office, User
from schools.models import Programme


class NoRateError(LookupError):
    """The rate card has no line in force for a kind and tier."""

    def __init__(self, kind: InstrumentKind | str, tier: str, on: date) -> None:
        self.kind, self.tier, self.on = kind, tier, on
        words = str(CatalogueItem.Tier(tier).label).lower()
        super().__init__(f"The rate card has no price for {kind} ({words}) yet. A manager can add one under Terms.")


class NoTaxAreaError(LookupError):
    """Neither the postal code nor the shop's own lies in a known tax area."""

    def __init__(self, postal_code: str) -> None:
        self.postal_code = postal_code
        super().__init__(
            f"No tax area is known for {f'ZIP {postal_code}' if postal_code else 'the shop'}. A manager can add it under Terms."
        )


class NoPlanVersionError(LookupError):
    """No version of the plan has been published."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        super().__init__(f"The plan “{plan}” has no published version yet. A manager can publish one under Terms.")


def list_signers() -> list[tuple[int, str]]:
    """List (id, name) of everybody who ever took the signature of an agreement, for a choice."""
    signed = Agreement.objects.filter(signed_by=OuterRef("pk"))
    return list(User.objects.filter(Exists(signed)).order_by("name", "pk").values_list("pk", "name"))


def get_rate(
    kind: InstrumentKind | str, tier: str, on: date, *, plan: Plan | str = "", condition: str = Rate.Condition.NEW
) -> Rate:
    """Return the line of the rate card in force on a day for a kind and tier: by the rule of `quotes.pick_rate`.

    `plan` is a plan or its code, nothing for the lines of every plan; `condition` is "new" or "returned". Raises NoRateError.
    """
    code = kind if isinstance(kind, str) else kind.pk
    lines = list_rates(on).filter(kind=code, tier=tier)
    rate = pick_rate(lines, plan=plan if isinstance(plan, str) else plan.pk, condition=condition)
    if rate is None:
        raise NoRateError(kind, tier, on)
    return rate


def list_rates(on: date) -> QuerySet[Rate]:
    """List the rate card in force on a day, in the order of a score."""
    one = ("kind_id", "tier", "plan_id", "condition")
    current = Rate.objects.filter(effective_from__lte=on).order_by(*one, "-effective_from").distinct(*one)
    return _in_order(Rate.objects.filter(pk__in=current.values("pk")))


def list_coming_rates(on: date) -> QuerySet[Rate]:
    """List the lines of the rate card that take over after a day, in the same order, the sooner first."""
    return _in_order(Rate.objects.filter(effective_from__gt=on))


def _in_order(rates: QuerySet[Rate]) -> QuerySet[Rate]:
    order = ("kind__order", "kind__name", "-tier", F("plan").asc(nulls_first=True), "condition", "effective_from")
    return rates.select_related("kind", "plan").order_by(*order)


def narrow_rates(
    rates: QuerySet[Rate],
    *,
    kind: InstrumentKind | None = None,
    tier: str = "",
    plan: Plan | None = None,
    condition: str = "",
) -> QuerySet[Rate]:
    """Keep the lines that may hold for a kind, a tier, a plan and a condition; what is not given keeps all."""
    if kind:
        rates = rates.filter(kind=kind)
    if tier:
        rates = rates.filter(tier=tier)
    if plan:
        rates = rates.filter(Q(plan=plan) | Q(plan=None))
    return rates.filter(condition__in=[condition, Rate.Condition.ANY]) if condition else rates


def get_tax_rates(area: TaxArea | str, on: date) -> dict[str, Decimal]:
    """Return the rates in force on a day by sort of line (rent, protection, goods), as fractions.

    An area without a line for a sort does not tax it. The shop's tax adviser decides the rates.
    """
    return {str(sort): ZERO for sort in TaxRate.AppliesTo} | dict(_rates_in_force(area, on))


def _rates_in_force(area: TaxArea | str, on: date) -> QuerySet[TaxRate, tuple[str, Decimal]]:
    return (
        TaxRate.objects.filter(area=area, effective_from__lte=on)
        .order_by("applies_to", "-effective_from")
        .distinct("applies_to")
        .values_list("applies_to", "rate")
    )


def is_exempt(household_id: int, area: TaxArea | str, on: date) -> bool:
    """Tell whether a household buys without sales tax in an area on a day: its certificate is in force and holds there."""
    return _certificates(household_id, area, on).exists()


def _certificates(household_id: int, area: TaxArea | str, on: date) -> QuerySet[TaxExemption]:
    return list_exempt(area, on).filter(household=household_id)


def list_exempt(area: TaxArea | str, on: date) -> QuerySet[TaxExemption]:
    """List the certificates in force in an area on a day: their households pay no sales tax there."""
    code = area if isinstance(area, str) else area.pk
    return TaxExemption.objects.filter(Q(area=None) | Q(area=code), from_on__lte=on, expires_on__gte=on)


def get_household_tax_rates(household_id: int, area: TaxArea | str, on: date) -> dict[str, Decimal]:
    """Return the rates that a household pays on a day by sort of line: none at all while it is exempt. One query."""
    rows = _rates_in_force(area, on).exclude(Exists(_certificates(household_id, area, on)))
    return {str(sort): ZERO for sort in TaxRate.AppliesTo} | dict(rows)


def get_tax_area(postal_code: str) -> TaxArea:
    """Return the tax area of a ZIP code (five digits or nine), else the one the shop itself lies in. Raises NoTaxAreaError."""
    own = Office.objects.annotate(five=Left("postal_code", 5)).values("five")
    known = (
        TaxAreaPostalCode.objects.filter(Q(postal_code=postal_code[:5]) | Q(postal_code__in=own))
        .select_related("area")
        .order_by(Case(When(postal_code=postal_code[:5], then=0), default=1))
        .first()
    )
    if known is None:
        raise NoTaxAreaError(postal_code)
    return known.area


def get_tax_area_of_receipt(received_at: str, household: Household, programme: Programme | None) -> TaxArea:
    """Return the tax area of the place where an instrument is received: the shop, the school or the family's home.

    Streamlined Sales and Use Tax Agreement, section 310: received at the seller's place, there; otherwise where it is received.
    Raises NoTaxAreaError.
    """
    if received_at == Agreement.ReceivedAt.HOME:
        return get_tax_area(household.postal_code)
    if received_at == Agreement.ReceivedAt.SCHOOL and programme is not None:
        return get_tax_area(programme.school.postal_code)
    return get_tax_area("")


def get_current_plan_version(plan: Plan | str) -> PlanVersion:
    """Return the version of a plan published last. Raises NoPlanVersionError."""
    code = plan if isinstance(plan, str) else plan.pk
    version = PlanVersion.objects.filter(plan=code, published_at__isnull=False).select_related("plan").order_by("-number").first()
    if version is None:
        raise NoPlanVersionError(Plan.objects.get(pk=code))
    return version


def list_offered_versions() -> list[PlanVersion]:
    """List the current version of every plan that is offered and published, by the plan's name."""
    versions = (
        PlanVersion.objects.filter(plan__is_offered=True, published_at__isnull=False)
        .select_related("plan")
        .order_by("plan_id", "-number")
        .distinct("plan_id")
    )
    return sorted(versions, key=lambda version: (version.plan.name, version.plan_id))


def quote(
    *,
    household_id: int,
    instrument: Instrument,
    plan_version: PlanVersion,
    protection: bool,
    goods: Iterable[tuple[Product, int]],
    tax_area: TaxArea,
    starts_on: date,
) -> Quote:
    """Return what renting this instrument costs a household from a day on, at the prices and tax rates in force then.

    The line of the rate card is the one of the plan and of the instrument's condition. Raises NoRateError.
    """
    item = instrument.item
    return make_quote(
        item=item,
        plan_version=plan_version,
        rate=get_rate(item.kind, item.tier, starts_on, plan=plan_version.plan_id, condition=condition_of(instrument)),
        protection=protection,
        goods=goods,
        tax_area=tax_area,
        tax_rates=get_household_tax_rates(household_id, tax_area, starts_on),
        starts_on=starts_on,
    )


def quote_as_signed(
    *,
    agreement: Agreement,
    household_id: int,
    instrument: Instrument,
    plan_version: PlanVersion,
    protection: bool,
    goods: Iterable[tuple[Product, int]],
    tax_area: TaxArea,
    starts_on: date,
) -> Quote:
    """Return what renting costs at the prices of an agreement that is taken up again; taxes are of the day.

    Protection that was not taken then costs what the rate card says now. Raises NoRateError where it must be asked.
    """
    item = instrument.item
    signed = Rate(
        kind=item.kind,
        tier=item.tier,
        monthly_rent=agreement.monthly_rent,
        monthly_protection=agreement.monthly_protection,
        effective_from=agreement.starts_on,
    )
    if (protection or plan_version.protection_required) and not agreement.monthly_protection.amount:
        plan, condition = plan_version.plan_id, condition_of(instrument)
        rate = get_rate(item.kind, item.tier, starts_on, plan=plan, condition=condition)
        signed.monthly_protection = rate.monthly_protection
    as_signed = copy.copy(item)
    as_signed.purchase_price, as_signed.replacement_value = agreement.purchase_price, agreement.replacement_value
    return make_quote(
        item=as_signed,
        plan_version=plan_version,
        rate=signed,
        protection=protection,
        goods=goods,
        tax_area=tax_area,
        tax_rates=get_household_tax_rates(household_id, tax_area, starts_on),
        starts_on=starts_on,
    )


def list_agreements() -> QuerySet[Agreement]:
    """List all agreements, newest first, with what a line about one needs: their open units as `open_units`, and `waits`."""
    units = AgreementUnit.objects.filter(ended_at=None).select_related("instrument__item").order_by("role")
    return (
        Agreement.objects.select_related("household", "guardian", "student", "item__kind", "plan_version", "programme__school")
        .annotate(waits=Exists(UnitPromise.objects.filter(agreement=OuterRef("pk"), settled_at=None)))
        .prefetch_related(Prefetch("units", queryset=units, to_attr="open_units"))
        .order_by("-signed_at", "-pk")
    )


def list_chain(agreement: Agreement) -> list[Agreement]:
    """List the agreement and those it follows by exchange, newest first: rent paid on all of them counts toward credit."""
    rows = Agreement.objects.raw(
        "WITH RECURSIVE chain AS (SELECT a.id, a.follows_id, 0 AS step FROM agreements_agreement a WHERE a.id = %s "
        "UNION ALL SELECT a.id, a.follows_id, step + 1 FROM agreements_agreement a JOIN chain ON a.id = chain.follows_id) "
        "SELECT a.* FROM chain JOIN agreements_agreement a ON a.id = chain.id ORDER BY chain.step",
        [agreement.pk],
    )
    return list(rows)


def list_drafts(user: User) -> QuerySet[SignUpDraft]:
    """List a person's own sign-ups that are not signed yet, the one worked on last first."""
    return SignUpDraft.objects.filter(user=user, agreement=None).select_related("household").order_by("-updated_at", "pk")
