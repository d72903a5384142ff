"""Taking a payment, looking at one, and taking one back that the bank returned; taking back a charge."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Exists, OuterRef
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from billing import charges, payers, payments, queries, returned_papers, write_offs
from billing.autopay import asking, noticing
from billing.cards import attempts, processors
from billing.cards.views import counter as card_payments
from billing.forms import PaymentForm, ReturnForm, VoidForm, Ways
from billing.models import Allocation, AutopayAuthorisation, CardAttempt, Charge, Payment, PaymentReturn
from billing.taking.operations import why_not_void
from billing.views.common import EXPECTED, back_to_family, person
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.runtime.fields import MoneyField
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.policy import may, requires

REFUSED = (
    *card_payments.REFUSALS,
    asking.NotAuthorisedError,
    asking.NotWholeError,
    asking.PausedError,
    asking.ToldAlreadyError,
)


@requires("payments.take")
@never_cache
def take_payment(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Ask how it is paid and how much, show what it would pay; take it, go to the card page, or tell of the debit."""
    known = payers.with_sharing(write_offs.with_write_offs(Household.objects.all())).annotate(
        has_card_under_way=Exists(CardAttempt.objects.filter(household=OuterRef("pk"), state__in=CardAttempt.OPEN)),
        is_on_autopay=Exists(AutopayAuthorisation.objects.filter(household=OuterRef("pk"), ended_at=None)),
    )
    household: Any = get_object_or_404(known, pk=household_id)
    today = clock.today()
    standing = _standing(household)
    under_way = attempts.get_open(household.pk) if household.has_card_under_way else None
    ways = _ways(household, transfer=may(person(request), "bank.match"), card=under_way is None or request.method == "POST")
    initial = {"amount": standing["due"] if standing["due"] > 0 else None, "received_on": today}
    initial |= {"method": request.GET.get("method")}
    form = PaymentForm(request.POST or None, today=today, sharing=payers.sharing_of(household), ways=ways, initial=initial)
    _ask_while_typing(form, household)
    if request.method == "POST" and form.is_valid() and "show" not in request.POST:
        try:
            return _take(request, household, form.cleaned_data)
        except REFUSED as refused:
            form.add_error(None, str(refused))
    typed = form["amount"].value()
    context = {
        "form": form,
        "household": household,
        "under_way": under_way,
        "offers_card": bool(ways.card),
        "back": back_to_family(household),
        **standing,
        **_would_pay(household, typed),
    }
    context["written_off"] = write_offs.list_write_offs(household) if household.has_write_off else ()
    return render(request, "billing/payment_take.html", context, status=422 if form.errors else 200)


def _ways(household: Any, *, transfer: bool, card: bool) -> Ways:
    """Say which ways are open to a family: a card where a processor is set up, a debit where it authorised one."""
    processor = processors.current() if card else None
    authorisation = asking.get_authorisation(household.pk) if household.is_on_autopay else None
    by_card = by_debit = ""
    if processor is not None:
        by_card = "Practice: no money moves" if processor.is_practice else f"Typed on {processor.name}’s own page, never here"
    if authorisation is not None:
        account = f"{authorisation.get_account_type_display()} …{authorisation.last_four}"
        by_debit = f"{account}, debited {written_day(noticing.debit_day(clock.today()))}; told today"
    return Ways(card=by_card, debit=by_debit, transfer=transfer)


def _take(request: HttpRequest, household: Household, given: dict[str, Any]) -> HttpResponseBase:
    """Take what is in hand, or go the way to the processor or the bank. Raises one of REFUSED."""
    amount, key, user = given["amount"].amount, given["request_key"], person(request)
    if given["method"] == Payment.Method.CARD:
        return card_payments.start_card_payment(
            request, household=household, amount=amount, paid_by=given.get("paid_by"), key=key
        )
    if given["method"] == Payment.Method.DEBIT:
        notice = asking.ask_for_debit(
            household=household, amount=amount, acting_user=user, now=clock.now(), today=clock.today(), request_key=key
        )
        messages.success(
            request,
            f"The family is told: {written(notice.amount)} is debited on {written_day(notice.debit_on)}. The receipt can be made "
            "once the debit has left.",
        )
        return redirect("autopay_household", household.pk)
    payment = payments.record_payment(
        household=household,
        method=given["method"],
        amount=amount,
        received_on=given["received_on"],
        cheque_number=given["cheque_number"],
        paid_by=given.get("paid_by"),
        acting_user=user,
        now=clock.now(),
        request_key=key,
    )
    messages.success(request, f"{written(payment.amount)} taken. Receipt {payment.number}.")
    return redirect("payment", payment.pk)


@requires("payments.take")
@never_cache
def preview(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Show what an amount would pay, while it is typed."""
    household = get_object_or_404(Household, pk=household_id)
    return render(request, "billing/would_pay.html", _would_pay(household, request.GET.get("amount")))


def _standing(household: Household) -> dict[str, Any]:
    balance = queries.sum_balance(household.pk)
    ahead = queries.sum_open_lines(household.pk) - queries.sum_open_lines(household.pk, due_through=clock.today())
    return {"balance": balance, "due": max(balance - ahead, ZERO), "ahead": ahead}


def _would_pay(household: Household, typed: Any) -> dict[str, Any]:
    try:
        amount = MoneyField(required=False).clean(typed)
    except ValidationError:
        amount = None
    if amount is None or amount.amount <= 0:
        return {"lines": [], "amount": None, "left": None}
    lines, left = queries.list_would_pay(household.pk, amount.amount)
    return {"lines": queries.by_due_day(lines), "amount": amount, "left": left}


def _ask_while_typing(form: PaymentForm, household: Household) -> None:
    form.fields["amount"].widget.attrs.update(
        {
            "hx-get": reverse("payment_preview", args=[household.pk]),
            "hx-trigger": "input changed delay:300ms",
            "hx-target": "#would-pay",
            "hx-swap": "outerHTML",
        }
    )


_WITH_ALL = Payment.objects.select_related("household", "deposit", "payment_return__made_by", "taken_by", "taking")


@requires("payments.take")
def payment(request: HttpRequest, payment_id: int) -> HttpResponseBase:
    """Show a payment: how it came, what it paid for, where the money is."""
    found = get_object_or_404(_WITH_ALL, pk=payment_id)
    in_force = Allocation.objects.filter(payment=found, released_at=None).select_related("line__charge__agreement")
    shown = queries.payment_on_account(found, list(in_force.order_by("id")))
    returned = getattr(found, "payment_return", None)
    context = {
        "payment": found,
        "shown": shown,
        "returned": returned,
        "undone_returns": found.undone_returns.select_related("undone_by").order_by("-undone_at"),
        "status": _status(returned),
        "is_void": bool(returned and returned.kind == PaymentReturn.Kind.MISTAKE),
        "is_never_debited": bool(returned and returned.kind == PaymentReturn.Kind.FILE),
        **_taking_of(found, returned, person(request)),
        "back": back_to_family(found.household),
        "may_return": not returned and not payments.why_not_returned(found) and may(person(request), "payments.return"),
    }
    return render(request, "billing/payment.html", context)


def _status(returned: PaymentReturn | None) -> dict[str, str]:
    if returned is None:
        return {"word": "Received", "tone": "good"}
    return {"word": returned.get_kind_display(), "tone": "bad" if returned.kind == PaymentReturn.Kind.BANK else "quiet"}


def _taking_of(found: Payment, returned: PaymentReturn | None, user: User) -> dict[str, bool]:
    """Tell whether this person sees the takings that a payment lies in, and may void it there."""
    is_own = found.taken_by_id == user.pk
    is_voidable = returned is None and not why_not_void(found, clock.today())
    return {
        "sees_taking": is_own or may(user, "takings.view_all"),
        "may_void": is_voidable and (is_own or may(user, "takings.confirm")),
    }


@requires("payments.return")
def return_payment(request: HttpRequest, payment_id: int) -> HttpResponseBase:
    """Ask why and when, say what will be owed again, take the payment back."""
    found = get_object_or_404(Payment.objects.select_related("household"), pk=payment_id)
    form = ReturnForm(request.POST or None, today=clock.today(), initial={"returned_on": clock.today()})
    why_not = payments.why_not_returned(found)
    if request.method == "POST" and why_not:
        form.add_error(None, why_not)
    elif request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            returned_papers.return_and_tell(
                payment=found,
                reason=given["reason"],
                returned_on=given["returned_on"],
                acting_user=person(request),
                now=clock.now(),
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"{found.number} is returned: {written(found.amount)} is owed again.")
            return redirect("payment", found.pk)
    in_force = Allocation.objects.filter(payment=found, released_at=None).select_related("line__charge")
    context = {
        "form": form,
        "payment": found,
        "why_not": why_not,
        "shown": queries.payment_on_account(found, list(in_force.order_by("id"))),
        "back": {"label": f"Payment {found.number}", "url": reverse("payment", args=[found.pk])},
    }
    return render(request, "billing/payment_return.html", context, status=422 if form.errors else 200)


@requires("charges.void")
def void_charge(request: HttpRequest, charge_id: int) -> HttpResponseBase:
    """Ask for the reason, say what becomes of what was paid, void the charge."""
    found = get_object_or_404(Charge.objects.select_related("household", "agreement", "void_entry"), pk=charge_id)
    form = VoidForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        reason = form.cleaned_data["reason"]
        try:
            charges.void_charge(charge=found, reason=reason, acting_user=person(request), now=clock.now())
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, "The charge is void. What was paid on it now pays the oldest of what else is owed.")
            return redirect("household", found.household_id)
    context = {
        "form": form,
        "charge": found,
        "shown": queries.charge_on_account(found),
        "back": back_to_family(found.household),
    }
    return render(request, "billing/charge_void.html", context, status=422 if form.errors else 200)
