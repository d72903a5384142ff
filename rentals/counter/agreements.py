"""The list of agreements, and one agreement with what can be done, its credit, its price to buy and its papers."""

from datetime import date
from typing import Any

from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from billing import purchases
from billing import queries as billing
from billing.models import Purchase
from rentals.agreements import queries
from rentals.agreements.models import Agreement, AgreementUnit
from rentals.counter.life import page as life_page
from rentals.documents import queries as documents
from rentals.runtime import clock
from rentals.staff.policy import acting_user, requires

ROWS = 50
SORTS = {"number": "number", "household": "household__name", "student": "student__family_name", "signed": "signed_at"}


@requires("agreements.view")
@require_safe
def agreement_list(request: HttpRequest) -> HttpResponseBase:
    """List agreements: open, ended or all, found by number, family, student or tag."""
    state, text, sort = request.GET.get("state", "open"), request.GET.get("q", "").strip(), request.GET.get("sort", "-signed")
    rows = queries.list_agreements()
    if state in {"open", "ended"}:
        rows = rows.filter(ended_on__isnull=state == "open")
    if text:
        with_tag = AgreementUnit.objects.filter(instrument__asset_tag__iexact=text).values("agreement")
        named = Q(household__name__icontains=text) | Q(student__family_name__icontains=text)
        rows = rows.filter(Q(number__iexact=text) | named | Q(household__number__iexact=text) | Q(pk__in=with_tag))
    order = SORTS.get(sort.removeprefix("-"), "signed_at")
    rows = rows.order_by(f"-{order}" if sort.startswith("-") else order, "pk")
    page = Paginator(rows, ROWS).get_page(request.GET.get("page"))
    return render(request, "counter/agreements.html", {"page": page, "state": state, "text": text, "sort": sort})


@requires("agreements.view")
@require_safe
def agreement(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Show an agreement as it was signed, and how it stands today."""
    people = Agreement.objects.select_related("household", "guardian", "student", "programme__school", "signed_by", "signature")
    whole = people.select_related("item__kind", "plan_version", "follows", "tax_area", "followed_by", "promise")
    found = get_object_or_404(whole, pk=agreement_id)
    units = list(found.units.select_related("instrument__item").order_by("began_at", "pk"))
    papers = list(documents.list_documents(about=f"agreement/{found.pk}"))
    today = clock.today()
    page: dict[str, Any] = {
        "agreement": found,
        "units": units,
        "goods": found.goods.select_related("product").order_by("product__name"),
        "signature": getattr(found, "signature", None),
        "followed_by": getattr(found, "followed_by", None),
        "documents": papers,
        "events": life_page.list_events(found, units, papers),
        **life_page.get_standing(found, acting_user(request), today),
        **_payoff(found, today),
    }
    return render(request, "counter/agreement.html", page)


def _payoff(found: Agreement, today: date) -> dict[str, Any]:
    """Work out the credit so far and, while it runs, the price to buy today; for one that is bought, whether it is paid."""
    credit = billing.sum_rental_credit(found.pk, on=today)
    if not found.is_open:
        sold = Purchase.objects.select_related("charge").filter(agreement=found).first()
        return {"credit": credit, "purchase": sold, "awaits_payment": sold is not None and not purchases.is_paid(sold)}
    try:
        return {"credit": credit, "payoff": purchases.price_own(found, on=today, credit=credit.credit)}
    except purchases.NoPriceToBuyError:
        return {"credit": credit}
