"""Other terms: the due day moved, protection added or dropped. Each shows what it means before it is signed."""

from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from rentals.agreements import life, periods
from rentals.agreements.changes import terms
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.agreements.queries import NoRateError
from rentals.counter.life.common import Screen, get_agreement, refuse, show_or_run
from rentals.counter.life.forms import DueDayForm, ProtectionForm
from rentals.counter.life.page import first_free_period
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written
from rentals.runtime.templatetags.office import money
from rentals.staff.policy import requires

DUE_DAY = Screen(
    Move.CHANGE_DUE_DAY,
    "Change the due day",
    "Change the due day",
    template="counter/life/due_day.html",
    refusals=(terms.DueDayAlreadyError,),
)
ADD = Screen(
    Move.ADD_PROTECTION,
    "Add protection",
    "Add protection",
    template="counter/life/protection.html",
    refusals=(terms.ProtectionAlreadyError, terms.ProtectionNotOfferedError),
)
DROP = Screen(
    Move.DROP_PROTECTION,
    "Drop protection",
    "Drop protection",
    template="counter/life/protection.html",
    refusals=(terms.ProtectionAlreadyError, terms.ProtectionRequiredError),
)


@requires("agreements.change")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def change_due_day(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Choose the day, see the bridge to it with its days and its amount, sign."""
    agreement = get_agreement(agreement_id)
    shown = _preview(agreement, request.POST.get("due_day") or request.GET.get("due_day"))
    data = request.POST if request.method == "POST" and "show" not in request.POST else None
    initial = {"due_day": shown["day"], "from_period": shown["from_period"], "signer": request.POST.get("signer", "")}
    form = DueDayForm(data, agreement=agreement, initial=initial)
    form.fields["due_day"].widget.attrs.update(
        {
            "hx-get": reverse("agreement_due_day_preview", args=[agreement.pk]),
            "hx-trigger": "change",
            "hx-target": "#due-day-preview",
            "hx-swap": "outerHTML",
        }
    )

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return terms.change_due_day(agreement=agreement, due_day=given["due_day"], from_period=given["from_period"], **who)

    def done(event: LifeEvent) -> str:
        return f"The due day is changed. {event.note}. The family gets it in writing."

    return show_or_run(request, screen=DUE_DAY, form=form, run=run, done=done, context=shown)


@requires("agreements.change")
@never_cache
@require_safe
def due_day_preview(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Show what another due day means, while it is chosen."""
    agreement = get_agreement(agreement_id)
    return render(request, "counter/life/due_day_preview.html", _preview(agreement, request.GET.get("due_day")))


def _preview(agreement: Agreement, asked: str | None) -> dict[str, Any]:
    """Work out what the day asked for means; without one, only which day it is now."""
    segments = life.list_segments(agreement)
    today_day = terms.due_day_of(segments)
    day = int(asked) if asked and asked.isascii() and asked.isdigit() and 1 <= int(asked) <= 28 else None
    from_period = first_free_period(agreement, segments, clock.today())
    moved = terms.preview_due_day(segments, from_period, day) if day and day != today_day else None
    return {
        "now": today_day,
        "day": day,
        "from_period": from_period,
        "moved": moved,
        "facts": [
            {"label": "Falls due now", "value": f"On day {today_day} of the month"},
            {
                "label": "First month not billed yet",
                "value": f"From {written(periods.period_at(segments, from_period).begins_on)}",
            },
        ],
    }


@requires("agreements.change")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def add_protection(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Show what protection costs and covers, and from when; sign."""
    agreement = get_agreement(agreement_id)
    try:
        price = terms.get_protection_price(agreement, clock.today())
    except (NoRateError, terms.ProtectionNotOfferedError) as error:
        return refuse(request, agreement, error, ADD)
    shown = _protection(agreement)
    initial = {"price": price, "from_period": shown["from_period"]}
    form = ProtectionForm(request.POST if request.method == "POST" else None, agreement=agreement, initial=initial)

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return terms.add_protection(agreement=agreement, price=given["price"] or ZERO, from_period=given["from_period"], **who)

    def done(event: LifeEvent) -> str:
        return f"Protection is added: {event.note}. The family gets it in writing."

    shown["facts"] += [
        {"label": "Protection costs", "value": f"{money(price)} a month, before tax"},
        {"label": "It covers", "value": agreement.plan_version.protection_covers},
    ]
    shown["lead"] = (
        f"Holds from {written(shown['first'].begins_on)}, the first month that is not billed yet. It is not insurance."
    )
    hindered_by = terms.ProtectionAlreadyError(agreement, has_it=True) if shown["first"].protection else None
    return show_or_run(request, screen=ADD, form=form, run=run, done=done, context=shown, hindered_by=hindered_by)


@requires("agreements.change")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def drop_protection(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Show what the family answers for without protection, and from when; sign. Refused where the plan requires it."""
    agreement = get_agreement(agreement_id)
    shown = _protection(agreement)
    initial = {"from_period": shown["from_period"]}
    form = ProtectionForm(request.POST if request.method == "POST" else None, agreement=agreement, initial=initial)

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return terms.drop_protection(agreement=agreement, from_period=given["from_period"], **who)

    def done(event: LifeEvent) -> str:
        return f"Protection is dropped: {event.note.lower()}. The family gets it in writing."

    shown["facts"] += [
        {"label": "Costs until then", "value": f"{money(shown['first'].protection)} a month, before tax"},
        {"label": "The family answers for", "value": f"repairs, and up to {money(agreement.replacement_value)} if it is lost"},
    ]
    shown["lead"] = f"Holds from {written(shown['first'].begins_on)}. Until then what is billed stays covered."
    hindered_by: Exception | None = None
    if agreement.plan_version.protection_required:
        hindered_by = terms.ProtectionRequiredError(agreement)
    elif not shown["first"].protection:
        hindered_by = terms.ProtectionAlreadyError(agreement, has_it=False)
    return show_or_run(request, screen=DROP, form=form, run=run, done=done, context=shown, hindered_by=hindered_by)


def _protection(agreement: Agreement) -> dict[str, Any]:
    segments = life.list_segments(agreement)
    from_period = first_free_period(agreement, segments, clock.today())
    first = periods.period_at(segments, from_period)
    return {
        "from_period": from_period,
        "first": first,
        "facts": [{"label": "Rent", "value": f"{money(first.rent)} a month, before tax"}],
    }
