"""Writing off what will not be paid, taking a payment after all, and looking at a credit note."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from billing import credits, payers, queries, write_offs
from billing.account_forms import WriteOffForm
from billing.forms import PaymentForm, VoidForm, Ways
from billing.models import Allocation, CreditNote
from billing.payments import PaymentGiven
from billing.views.common import EXPECTED, back_to_family, person
from rentals.agreements import life
from rentals.agreements.models import Agreement
from rentals.agreements.moves import Move, MoveNotPossibleError
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import may, requires


@requires("debts.write_off")
@never_cache
def write_off_agreement(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Ask why, show what it means, write off what an agreement owes."""
    found = get_object_or_404(Agreement.objects.select_related("household", "item__kind", "student"), pk=agreement_id)
    context = {
        "agreement": found,
        "open": write_offs.sum_open_of_agreement(found),
        "back": {"label": f"Agreement {found.number}", "url": reverse("agreement", args=[found.pk])},
    }
    try:
        life.check(found, Move.WRITE_OFF)
    except MoveNotPossibleError as refused:
        context["impossible"] = str(refused)
    return _write_off(request, found.household, found, context)


@requires("debts.write_off")
@never_cache
def write_off_household(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Ask why, show what it means, write off what a family owes that rents nothing any more."""
    household = get_object_or_404(Household, pk=household_id)
    context = {"open": queries.sum_open_lines(household.pk), "back": back_to_family(household)}
    renting = list(Agreement.objects.filter(household=household, ended_on=None).order_by("pk").values_list("number", flat=True))
    if renting:
        context["impossible"] = str(write_offs.StillRentingError(renting))
    return _write_off(request, household, None, context)


def _write_off(
    request: HttpRequest, household: Household, agreement: Agreement | None, context: dict[str, Any]
) -> HttpResponseBase:
    form = WriteOffForm(request.POST or None, initial={"amount": context["open"]})
    if request.method == "POST" and form.is_valid():
        given = {**form.cleaned_data, "acting_user": person(request), "now": clock.now()}
        try:
            if agreement is None:
                note = write_offs.write_off_household(household=household, **given)
            else:
                note = write_offs.write_off_agreement(agreement=agreement, **given)
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"{written(note.amount)} is written off: {note.number}.")
            return redirect("credit_note", note.pk)
    context |= {"form": form, "household": household}
    return render(request, "billing/write_off.html", context, status=422 if form.errors else 200)


@requires("payments.take")
def recover_agreement(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Go to the payment for what was written off of an agreement."""
    found = get_object_or_404(Agreement.objects.select_related("household"), pk=agreement_id)
    note = write_offs.list_write_offs(found.household).filter(agreement=found).last()
    if note is None:
        messages.info(request, f"Nothing is written off on {found.number}. Take the payment as any other.")
        return redirect("payment_take", found.household_id)
    return redirect("recovery_take", note.pk)


@requires("payments.take")
@never_cache
def take_recovery(request: HttpRequest, credit_note_id: int) -> HttpResponseBase:
    """Take a payment for what was written off."""
    note = get_object_or_404(_notes(), pk=credit_note_id, kind=CreditNote.Kind.WRITE_OFF)
    today = clock.today()
    form = PaymentForm(
        request.POST or None,
        today=today,
        sharing=payers.sharing_of(note.household),
        ways=Ways(transfer=may(person(request), "bank.match")),
        initial={"received_on": today},
    )
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            payment = write_offs.take_recovery(
                credit_note=note,
                given=PaymentGiven(
                    given["method"], given["amount"].amount, given["received_on"], given["cheque_number"], given.get("paid_by")
                ),
                acting_user=person(request),
                now=clock.now(),
                request_key=given["request_key"],
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"{written(payment.amount)} taken for what was written off. Receipt {payment.number}.")
            return redirect("payment", payment.pk)
    context = {"form": form, "note": note, "household": note.household, "back": back_to_family(note.household)}
    return render(request, "billing/recovery_take.html", context, status=422 if form.errors else 200)


@requires("payments.take")
def credit_note(request: HttpRequest, credit_note_id: int) -> HttpResponseBase:
    """Show a credit note: why, who, and what it pays."""
    note = get_object_or_404(_notes(), pk=credit_note_id)
    in_force = Allocation.objects.filter(credit_note=note, released_at=None).select_related("line__charge")
    user, stands = person(request), note.void_entry_id is None
    is_write_off = note.kind == CreditNote.Kind.WRITE_OFF
    context = {
        "note": note,
        "shown": queries.credit_note_on_account(note, list(in_force.order_by("line__charge__due_on", "id"))),
        "adjustment": getattr(note, "adjustment", None),
        "status": {"word": "In force", "tone": "good"} if stands else {"word": "Void", "tone": "quiet"},
        "back": back_to_family(note.household),
        "may_void": stands and may(user, "debts.write_off" if is_write_off else "charges.void"),
        "may_recover": stands and is_write_off and may(user, "payments.take"),
    }
    return render(request, "billing/credit_note.html", context)


@requires("charges.void")
@never_cache
def void_credit_note(request: HttpRequest, credit_note_id: int) -> HttpResponseBase:
    """Ask why, say what will be owed again, void the credit note; a write-off only by who may write off."""
    note = get_object_or_404(_notes(), pk=credit_note_id)
    if note.kind == CreditNote.Kind.WRITE_OFF and not may(person(request), "debts.write_off"):
        raise PermissionDenied
    form = VoidForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        reason = form.cleaned_data["reason"]
        try:
            credits.void_credit_note(credit_note=note, reason=reason, acting_user=person(request), now=clock.now())
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"{note.number} is void: the family owes {written(note.amount)} more again.")
            return redirect("household", note.household_id)
    back = {"label": f"Credit note {note.number}", "url": reverse("credit_note", args=[note.pk])}
    return render(
        request, "billing/credit_note_void.html", {"form": form, "note": note, "back": back}, status=422 if form.errors else 200
    )


def _notes() -> Any:
    return CreditNote.objects.select_related("household", "agreement", "void_entry", "made_by", "adjustment")
