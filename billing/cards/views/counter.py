"""A card payment at the counter: going to its page, seeing how it stands, asking again, closing its page, paying back."""

from decimal import Decimal
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.cards import attempts, processors, refunds
from billing.cards.forms import CardRefundForm
from billing.models import CardAttempt
from billing.views.common import EXPECTED, back_to_family, person
from rentals.families.models import Guardian, Household
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import may, requires

REFUSALS = (
    *EXPECTED,
    attempts.AttemptOpenError,
    attempts.PageRefusedError,
    processors.NoProcessorError,
    refunds.NotPaidByCardError,
    refunds.MoreThanPaidError,
)
TONES = {"started": "info", "unknown": "warn", "succeeded": "good", "failed": "bad", "expired": "quiet"}


def start_card_payment(
    request: HttpRequest, *, household: Household, amount: Decimal, paid_by: Guardian | None, key: UUID
) -> HttpResponseBase:
    """Start an attempt and send the browser to the processor's page. Raises one of REFUSALS."""
    asked = attempts.CardAsked(household, amount, request.build_absolute_uri(reverse("cards_begin")), paid_by)
    attempt = attempts.begin_attempt(asked=asked, key=key, acting_user=person(request), now=clock.now())
    if not attempt.page_url and attempt.state == CardAttempt.State.STARTED:
        attempt = attempts.open_page(attempt=attempt, now=clock.now())
    return redirect(attempt.page_url or reverse("card_attempt", args=[attempt.key]))


@requires("payments.take")
@never_cache
def cards_begin(request: HttpRequest) -> HttpResponseBase:
    """Where addresses of attempts begin: the list for whom may see it, else the families."""
    return redirect("card_attempts" if may(person(request), "books.view") else "households")


@requires("payments.take")
@never_cache
def card_attempt(request: HttpRequest, attempt_key: Any) -> HttpResponseBase:
    """Show how an attempt stands; while it has no end, the page asks by itself once it is open."""
    rows = CardAttempt.objects.select_related("household", "payment__payment_return", "started_by", "seen_by")
    found = get_object_or_404(rows, key=attempt_key)
    left = refunds.left_of(found)
    context = {
        "attempt": found,
        "status": {"word": found.get_state_display(), "tone": TONES[found.state]},
        "is_open": found.state in CardAttempt.OPEN,
        "is_practice": found.processor == "practice",
        "refunds": found.card_refunds.select_related("refund", "asked_by").order_by("pk"),
        "may_refund": left > ZERO and may(person(request), "refunds.make"),
        "back": back_to_family(found.household),
    }
    return render(request, "billing/cards/attempt.html", context)


@requires("payments.take")
@require_POST
def card_ask(request: HttpRequest, attempt_key: Any) -> HttpResponseBase:
    """Ask the processor how it stands."""
    found = get_object_or_404(CardAttempt, key=attempt_key)
    before = found.state
    try:
        after = attempts.ask(attempt=found, now=clock.now()) if before in CardAttempt.OPEN else found
    except processors.NoProcessorError as refused:
        messages.error(request, str(refused))
        after = found
    if getattr(request, "htmx", False):
        return HttpResponse(status=204, headers={"HX-Refresh": "true"} if after.state != before else {})
    if after.state == CardAttempt.State.UNKNOWN:
        messages.warning(request, "No clear answer. Nothing is charged twice: the office goes on asking by itself.")
    return redirect("card_attempt", found.key)


@requires("payments.take")
@require_POST
def card_close(request: HttpRequest, attempt_key: Any) -> HttpResponseBase:
    """Close the processor's page because nobody will pay on it."""
    found = get_object_or_404(CardAttempt, key=attempt_key)
    try:
        after = attempts.close(attempt=found, now=clock.now()) if found.state in CardAttempt.OPEN else found
    except processors.NoProcessorError as refused:
        messages.error(request, str(refused))
    else:
        if after.state in CardAttempt.OPEN:
            messages.warning(request, "The processor has not closed its page yet. Ask again in a moment.")
    return redirect("card_attempt", found.key)


@requires("refunds.make")
@never_cache
def card_refund(request: HttpRequest, attempt_key: Any) -> HttpResponseBase:
    """Ask how much and why, and give it back to the card."""
    found = get_object_or_404(CardAttempt.objects.select_related("household", "payment__payment_return"), key=attempt_key)
    left = refunds.left_of(found)
    form = CardRefundForm(request.POST or None, initial={"amount": left or None})
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            asked = refunds.ask_for_refund(
                attempt=found,
                given=refunds.CardRefundGiven(given["amount"].amount, given["reason"]),
                key=given["request_key"],
                acting_user=person(request),
                now=clock.now(),
            )
            _tell(request, refunds.send(card_refund=asked, now=clock.now()))
        except REFUSALS as refused:
            form.add_error(None, str(refused))
        else:
            return redirect("card_attempt", found.key)
    back = {"label": "The card payment", "url": reverse("card_attempt", args=[found.key])}
    context = {"form": form, "attempt": found, "left": left, "back": back}
    return render(request, "billing/cards/refund.html", context, status=422 if form.errors else 200)


def _tell(request: HttpRequest, sent: Any) -> None:
    if sent.state == "done":
        messages.success(request, f"{written(sent.amount)} goes back to the card.")
    elif sent.state == "failed":
        messages.error(request, f"Nothing went back: {sent.note} The money is on the family’s account.")
    else:
        messages.warning(request, "The processor gave no clear answer yet. The office goes on asking; do not pay it back again.")
