"""What comes from outside: the processor's messages; and the practice page, which stands in for one and moves no money."""

import json
import uuid
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from billing.cards import events, processors
from billing.cards.ports import EventRefusedError
from billing.models import CardAttempt, PracticeCharge
from rentals.runtime import clock
from rentals.staff.policy import open_to_all, requires

LARGEST = 256 * 1024
SIGNATURES = {"stripe": "Stripe-Signature", "practice": "Practice-Signature"}


@open_to_all
@csrf_exempt
@require_POST
def card_event(request: HttpRequest, processor: str) -> HttpResponseBase:
    """Take a signed message: 400 unless the raw body bears the processor's signature, at most five minutes old; 200 once kept."""
    try:
        sender = processors.by_code(processor)
    except processors.NoProcessorError:
        raise Http404 from None
    length = request.headers.get("Content-Length") or "0"
    if not length.isdecimal() or int(length) > LARGEST:
        return HttpResponse("too large", status=413, content_type="text/plain")
    try:
        told = sender.read_event(request.body, request.headers.get(SIGNATURES[processor], ""))
    except EventRefusedError:
        return HttpResponse("not signed", status=400, content_type="text/plain")
    events.take_event(processor=processor, told=told, now=clock.now())
    return HttpResponse("kept", content_type="text/plain")


@requires("payments.take")
@never_cache
def practice_page(request: HttpRequest, charge_key: Any) -> HttpResponseBase:
    """Stand in for a processor's page, in the demo and in development only: a button for each way it can end."""
    if not settings.CARD_PRACTICE:
        raise Http404
    charge = get_object_or_404(PracticeCharge, key=charge_key)
    if request.method == "POST" and charge.state == PracticeCharge.State.OPEN:
        press = request.POST.get("press")
        if press == "pay":
            PracticeCharge.objects.filter(pk=charge.pk, state="open").update(state="paid", paid_at=clock.now())
            _send(charge, "paid")
        elif press == "decline":
            PracticeCharge.objects.filter(pk=charge.pk).update(declined=charge.declined + 1)
            _send(charge, "declined")
            return redirect("practice_page", charge.key)
        elif press == "silent":
            PracticeCharge.objects.filter(pk=charge.pk, state="open").update(state="paid", paid_at=clock.now())
        return redirect(charge.return_url)
    context = {"charge": charge, "lines": _lines(charge), "is_open": charge.state == "open"}
    return render(request, "billing/cards/practice.html", context)


def _lines(charge: PracticeCharge) -> list[tuple[str, Decimal]]:
    attempt = CardAttempt.objects.filter(key=charge.key).first()
    return [(words, Decimal(amount)) for words, amount in attempt.lines] if attempt else []


def _send(charge: PracticeCharge, kind: str) -> None:
    """Send the message a processor would, signed, through the same reading."""
    from billing.cards.processors import practice

    now = clock.now()
    told = {"event_id": f"practice-{uuid.uuid4()}", "kind": kind, "happened_at": now.isoformat(), "attempt_key": str(charge.key)}
    told |= {"session": f"practice-{charge.key}", "note": "practice" if kind == "declined" else ""}
    told |= {"charge": f"charge-{charge.key}", "amount": str(charge.amount)} if kind == "paid" else {}
    body, at = json.dumps(told).encode(), int(now.timestamp())
    read = processors.by_code("practice").read_event(body, f"t={at},v1={practice.sign(body, at)}")
    events.take_event(processor="practice", told=read, now=now)
