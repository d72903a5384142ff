"""Deposits: what is on hand, taking it to the bank, and the slip that goes with it."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Sum
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from billing import deposits
from billing.forms import DepositForm
from billing.models import Deposit, Payment
from billing.taking import queries as takings
from billing.taking import slips
from billing.views.common import BOOKS, EXPECTED, person
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import requires


@requires("deposits.make")
@never_cache
def deposit_list(request: HttpRequest) -> HttpResponseBase:
    """List what is on hand, make a deposit of what is ticked, list the deposits made."""
    on_hand = list(takings.list_to_deposit())
    form = DepositForm(request.POST or None, on_hand=on_hand, today=clock.today(), initial={"deposited_on": clock.today()})
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            deposit = deposits.make_deposit(
                payments=list(Payment.objects.filter(pk__in=given["payments"])),
                deposited_on=given["deposited_on"],
                acting_user=person(request),
                now=clock.now(),
                request_key=given["request_key"],
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"Deposit {deposit.number} of {written(deposit.amount)} is made. Its slip is made below.")
            return redirect("deposit", deposit.pk)
    ticked = {int(key) for key in request.POST.getlist("payments") if key.isdecimal()}
    context = {
        "form": form,
        "on_hand": [(payment, payment.pk in ticked or (payment.is_counted and not form.is_bound)) for payment in on_hand],
        "not_counted": sum(1 for payment in on_hand if not payment.is_counted),
        "total": sum((payment.amount for payment in on_hand), ZERO),
        "page": Paginator(Deposit.objects.order_by("-deposited_on", "-id"), 25).get_page(request.GET.get("page")),
        "back": BOOKS,
    }
    return render(request, "billing/deposits.html", context, status=422 if form.errors else 200)


@requires("deposits.make")
def deposit(request: HttpRequest, deposit_id: int) -> HttpResponseBase:
    """Show a deposit with its payments, cash apart from checks: printed, it is the slip."""
    found = get_object_or_404(Deposit.objects.select_related("made_by"), pk=deposit_id)
    paid_in = list(found.payments.select_related("household", "payment_return").order_by("method", "received_on", "id"))
    cash, cheques = slips.split(found)
    context = {
        "deposit": found,
        "payments": paid_in,
        "cash": cash,
        "cheques": sum((payment.amount for payment in cheques), ZERO),
        "apart": list(found.taking_counts.select_related("taking__person").order_by("pk")),
        "paid_back": found.refunds.aggregate(sum=Sum("charge__lines__amount"))["sum"],
        "back": {"label": "Deposits", "url": reverse("deposits")},
    }
    return render(request, "billing/deposit.html", context)
