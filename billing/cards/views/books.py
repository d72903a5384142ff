"""The bookkeeper's side of cards: attempts and what is odd about them, payouts and whether they add up."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.cards import attempts, payouts, processors
from billing.cards.ports import ProcessorRefusedError, ProcessorSilentError
from billing.cards.views.counter import TONES
from billing.models import CardAttempt, CardPayout
from billing.views.common import BOOKS, person
from rentals.runtime import clock
from rentals.staff.policy import requires

ODD = Q(state__in=CardAttempt.OPEN) | (~Q(look_why="") & Q(seen_at=None))
SHOWN = {"odd": ODD, "paid": Q(state="succeeded"), "all": Q()}


@requires("books.view")
@never_cache
def card_attempts(request: HttpRequest) -> HttpResponseBase:
    """List attempts: those without an end or to be looked at, the paid ones, or all."""
    show = request.GET.get("show", "odd")
    rows = CardAttempt.objects.filter(SHOWN.get(show, ODD)).select_related("household", "payment", "started_by")
    page = Paginator(rows.order_by("-started_at", "-pk"), 50).get_page(request.GET.get("page"))
    shown = [(each, {"word": each.get_state_display(), "tone": TONES[each.state]}) for each in page.object_list]
    processor = processors.current()
    context = {"page": page, "rows": shown, "show": show if show in SHOWN else "odd", "processor": processor, "back": BOOKS}
    return render(request, "billing/cards/attempts.html", context)


@requires("books.view")
@require_POST
def card_seen(request: HttpRequest, attempt_key: Any) -> HttpResponseBase:
    """Note that a person looked at what was odd."""
    found = get_object_or_404(CardAttempt, key=attempt_key)
    attempts.mark_seen(attempt=found, acting_user=person(request), now=clock.now())
    return redirect("card_attempt", found.key)


@requires("books.view")
@never_cache
def card_payouts(request: HttpRequest) -> HttpResponseBase:
    """List payouts, those that do not add up marked."""
    rows = CardPayout.objects.select_related("deposit").order_by("-arrives_on", "-pk")
    context = {
        "page": Paginator(rows, 50).get_page(request.GET.get("page")),
        "off": rows.filter(deposit=None).count(),
        "processor": processors.current(),
        "back": BOOKS,
    }
    return render(request, "billing/cards/payouts.html", context)


@requires("deposits.make")
@require_POST
def read_payouts(request: HttpRequest) -> HttpResponseBase:
    """Ask the processor for its payouts now."""
    processor = processors.current()
    if processor is None:
        messages.error(request, str(processors.NoProcessorError()))
        return redirect("card_payouts")
    try:
        read = payouts.read_payouts(processor=processor, acting_user=person(request), now=clock.now(), today=clock.today())
    except (ProcessorSilentError, ProcessorRefusedError) as refused:
        messages.error(request, str(refused))
    else:
        booked = sum(each.deposit_id is not None for each in read)
        messages.success(request, f"{booked} payouts booked, {len(read) - booked} do not add up." if read else "Nothing new.")
    return redirect("card_payouts")


@requires("books.view")
def card_payout(request: HttpRequest, payout_id: int) -> HttpResponseBase:
    """Show a payout line by line, and whether it adds up."""
    found = get_object_or_404(CardPayout.objects.select_related("deposit"), pk=payout_id)
    is_booked = found.deposit_id is not None
    status = {"word": "Booked", "tone": "good"} if is_booked else {"word": "Does not add up", "tone": "bad"}
    names = [line["reference"] for line in found.lines]
    known = dict(CardAttempt.objects.filter(charge__in=names).values_list("charge", "payment__number"))
    keys = dict(CardAttempt.objects.filter(charge__in=names).values_list("charge", "key"))
    lines = [line | {"number": known.get(line["reference"]), "key": keys.get(line["reference"])} for line in found.lines]
    back = {"label": "Card payouts", "url": reverse("card_payouts")}
    context = {"payout": found, "status": status, "lines": lines, "back": back}
    return render(request, "billing/cards/payout.html", context)
