"""Moves that say what they come to before they are done: first the figures, then, when these were seen, the move itself."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from rentals.agreements import life
from rentals.agreements.models import LifeEvent
from rentals.counter.life.common import BEYOND_USE, REFUSALS, ActForm, Screen, back_to, refuse, show_or_run
from rentals.counter.life.panel import status_of
from rentals.inventory import queries as inventory
from rentals.inventory.models import Instrument
from rentals.runtime.templatetags.office import money


@dataclass(frozen=True)
class Figures:
    """What a move comes to: the sum its sender must have seen, the words of the button, and what the page shows of it.

    `keep` goes along with the form to the last step: the fingerprint of a text that was shown.
    """

    total: Decimal
    button: str
    page: dict[str, Any] = field(default_factory=dict)
    keep: dict[str, str] = field(default_factory=dict)
    is_grave: bool = False


def show_then_run(
    request: HttpRequest,
    *,
    screen: Screen,
    form: ActForm,
    look: Callable[[], Figures],
    run: Callable[..., LifeEvent],
    done: Callable[[LifeEvent], str],
    context: dict[str, Any] | None = None,
    is_signed: Callable[[], bool] = lambda: True,
) -> HttpResponse:
    """Show a move's form, then what it comes to, then run it: only when the figures it was sent with are those of the moment.

    `look` works out the figures of a valid form and changes nothing; `is_signed` tells whether the last step is filled in, and
    says in the form what is missing. "Change something" (`change` among what was sent) goes back
    to the form with everything typed.
    """
    agreement = form.agreement
    page = {"agreement": agreement, "screen": screen, "form": form, "back": back_to(agreement), **(context or {})}
    page["status"] = status_of(life.state_of(agreement))
    if request.method != "POST" or not form.is_valid():
        return show_or_run(request, screen=screen, form=form, run=run, done=done, context=context)
    if "change" in request.POST:
        form.data = {**{name: request.POST[name] for name in request.POST}, "shown": ""}
        return render(request, screen.template, page)
    try:
        life.check(agreement, screen.move)
        figures = look()
    except BEYOND_USE as error:
        return refuse(request, agreement, error, screen)
    except REFUSALS + screen.refusals as error:
        form.add_error(None, str(error))
        return render(request, screen.template, page, status=422)
    seen = form.cleaned_data.get("shown")
    same = seen == figures.total
    if same and is_signed():
        return show_or_run(request, screen=screen, form=form, run=run, done=done, context=context)
    form.data = {**{name: request.POST[name] for name in request.POST}, "shown": str(figures.total), **figures.keep}
    page |= {"figures": figures, "changed": seen is not None and not same, **figures.page}
    page["screen"] = replace(screen, button=figures.button, is_grave=figures.is_grave)
    return render(request, screen.template, page, status=422 if form.errors else 200)


def instrument_of(request: HttpRequest) -> Instrument | None:
    """Return the instrument chosen in the address (`?tag=`), None when there is none of that tag."""
    tag = request.GET.get("tag", "").strip()
    return inventory.get_by_tag(tag) if tag else None


def choose(
    request: HttpRequest, *, screen: Screen, form: ActForm, units: list[Instrument], words: dict[str, Any], error: str = ""
) -> HttpResponse:
    """Show instruments to choose from, by a click or by their tag; the page then comes again with the one chosen."""
    agreement, tag = form.agreement, request.GET.get("tag", "").strip()
    try:
        life.check(agreement, screen.move)
    except BEYOND_USE as refused:
        return refuse(request, agreement, refused, screen)
    page = {"agreement": agreement, "screen": screen, "back": back_to(agreement), "units": units, "tag": tag, **words}
    page["status"] = status_of(life.state_of(agreement))
    page["error"] = error or (f"No instrument has the tag {tag}." if tag else "")
    return render(request, "counter/life/choose.html", page, status=422 if page["error"] else 200)


def button(words: str, total: Decimal) -> str:
    """Say what the last button does, with the amount it bills."""
    return f"{words} and bill {money(total)}" if total > 0 else words
