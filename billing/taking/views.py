"""Screens of the takings: my day, any day, everybody's days, voiding a mistake, the deposit's slip."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.models import Deposit, Payment, Taking
from billing.taking import operations, queries, slips
from billing.taking.forms import CountForm, ReasonForm
from billing.views.common import BOOKS, EXPECTED, person
from rentals.runtime import clock
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import may, requires


@requires("takings.count")
@never_cache
def my_takings(request: HttpRequest) -> HttpResponseBase:
    """List the own days that are open, and those closed last."""
    own = queries.list_takings().filter(person=person(request))
    today = clock.today()
    rows = list(own[:30])
    context = {"rows": queries.with_states(rows), "today": today, "has_today": any(row.day == today for row in rows)}
    return render(request, "billing/taking/mine.html", context)


@requires("takings.view_all")
@never_cache
def takings(request: HttpRequest) -> HttpResponseBase:
    """List everybody's days, what is open first of all."""
    only_open = request.GET.get("show") != "all"
    page = Paginator(queries.list_takings(only_open=only_open), 50).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "rows": queries.with_states(page.object_list),
        "only_open": only_open,
        "today": clock.today(),
        "back": BOOKS,
    }
    return render(request, "billing/taking/list.html", context)


@requires("takings.count")
@never_cache
def taking(request: HttpRequest, taking_id: int) -> HttpResponseBase:
    """Show a day; its own person counts it down here."""
    found = _get_taking(request, taking_id)
    expected, count = queries.get_expected(found), queries.get_count(found)
    is_own = found.person_id == person(request).pk
    form = CountForm(request.POST or None, cheques=expected.cheques)
    if request.method == "POST":
        if not is_own:
            raise PermissionDenied
        if form.is_valid() and _count_down(request, found, form):
            return redirect("taking", found.pk)
        count = queries.get_count(found)
    context = _shown(request, found, count) | {"form": form, "expected": expected, "is_own": is_own}
    context["ticked"] = {int(key) for key in request.POST.getlist("cheques") if key.isdecimal()}
    return render(request, "billing/taking/day.html", context, status=422 if form.errors else 200)


def _count_down(request: HttpRequest, found: Taking, form: CountForm) -> bool:
    counted = operations.CountedDown(form.pieces, form.ticked, form.cleaned_data["reason"])
    try:
        count = operations.count_down(taking=found, counted=counted, acting_user=person(request), now=clock.now())
    except EXPECTED as refused:
        field = "reason" if isinstance(refused, operations.DifferenceNeedsReasonError) else None
        form.add_error(field, str(refused))
        return False
    if count.closed_at is None:
        messages.warning(request, f"Counted. {written(abs(count.difference))} apart is above the limit: a manager confirms it.")
    else:
        messages.success(request, "The day is counted down and closed.")
    return True


def _get_taking(request: HttpRequest, taking_id: int) -> Taking:
    """Load a day; other people's only for whom the table lets see all."""
    found = get_object_or_404(Taking.objects.select_related("person"), pk=taking_id)
    if found.person_id != person(request).pk and not may(person(request), "takings.view_all"):
        raise Http404
    return found


def _shown(request: HttpRequest, found: Taking, count: Any) -> dict[str, Any]:
    state = queries.state_of(count)
    sees_all = may(person(request), "takings.view_all")
    back = {"label": "Takings", "url": reverse("takings" if sees_all else "my_takings")}
    return {
        "taking": found,
        "count": count,
        "state": state,
        "status": queries.STATES[state],
        "payments": list(queries.list_payments(found)),
        "earlier": list(queries.list_reopened(found)),
        "pieces": queries.pieces_of(count),
        "back": back,
        "may_confirm": state == queries.WAITING and may(person(request), "takings.confirm"),
        "may_reopen": state != queries.OPEN and may(person(request), "takings.confirm"),
        "limit": operations.cash_limit(),
    }


@requires("takings.confirm")
@require_POST
def confirm(request: HttpRequest, taking_id: int) -> HttpResponseBase:
    """Confirm the difference of a day that somebody else counted."""
    found = get_object_or_404(Taking, pk=taking_id)
    try:
        operations.confirm_count(taking=found, acting_user=person(request), now=clock.now())
    except EXPECTED as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, "Confirmed: the day is closed and the difference is posted.")
    return redirect("taking", found.pk)


@requires("takings.confirm")
@never_cache
def reopen(request: HttpRequest, taking_id: int) -> HttpResponseBase:
    """Ask why, and open a counted day again."""
    found = get_object_or_404(Taking.objects.select_related("person"), pk=taking_id)
    form = ReasonForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            operations.reopen(taking=found, reason=form.cleaned_data["reason"], acting_user=person(request), now=clock.now())
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"{found.person.name}’s day is open again and has to be counted anew.")
            return redirect("taking", found.pk)
    back = {"label": "The day", "url": reverse("taking", args=[found.pk])}
    context = {"form": form, "taking": found, "count": queries.get_count(found), "back": back}
    return render(request, "billing/taking/reopen.html", context, status=422 if form.errors else 200)


@requires("payments.take")
@never_cache
def void_payment(request: HttpRequest, payment_id: int) -> HttpResponseBase:
    """Ask why, say what will be owed again, and void a payment taken by mistake."""
    found = get_object_or_404(Payment.objects.select_related("household", "taking", "taken_by"), pk=payment_id)
    if found.taken_by_id != person(request).pk and not may(person(request), "takings.confirm"):
        raise Http404
    form = ReasonForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            operations.void_payment(
                payment=found, reason=form.cleaned_data["reason"], acting_user=person(request), now=clock.now()
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"{found.number} is void: {written(found.amount)} counts as never taken.")
            return redirect("payment", found.pk)
    back = {"label": f"Payment {found.number}", "url": reverse("payment", args=[found.pk])}
    context = {"form": form, "payment": found, "why_not": operations.why_not_void(found, clock.today()), "back": back}
    return render(request, "billing/taking/void.html", context, status=422 if form.errors else 200)


@requires("deposits.make")
@require_POST
def deposit_slip(request: HttpRequest, deposit_id: int) -> HttpResponseBase:
    """Have the slip made, and go to it."""
    found = get_object_or_404(Deposit.objects.select_related("made_by"), pk=deposit_id)
    try:
        document = slips.ask_for_slip(deposit=found, now=clock.now())
    except slips.NoSlipError as refused:
        messages.error(request, str(refused))
        return redirect("deposit", found.pk)
    return redirect("document", document_id=document.pk)
