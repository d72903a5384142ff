"""The screens that end with a signature: exchanging, sizing up, and taking an agreement up again."""

from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.views.decorators.http import require_http_methods

from billing import queries as billing
from rentals.agreements import life, queries, wording
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.counter.life import ends, exchanging, reinstating
from rentals.counter.life.common import Screen, get_agreement
from rentals.counter.life.leaving_forms import SwapForm, TakeUpForm
from rentals.counter.life.leaving_views import REFUSED
from rentals.counter.life.panel import has_protection
from rentals.counter.life.showing import Figures, choose, instrument_of, show_then_run
from rentals.inventory import queries as inventory
from rentals.inventory.models import Instrument
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day
from rentals.staff.policy import acting_user, requires

REFUSED_TO_SIGN = (
    *REFUSED,
    exchanging.NotALargerOneError,
    queries.NoPlanVersionError,
    reinstating.TooLateError,
    reinstating.TakenUpAlreadyError,
    reinstating.StillOwingError,
    reinstating.NotLikeItError,
)
READ_OR_SEND = ["GET", "HEAD", "POST"]
NEXT = "Show the new agreement"

EXCHANGE = Screen(Move.EXCHANGE, "Exchange for another kind", NEXT, "counter/life/swap.html", refusals=REFUSED_TO_SIGN)
SIZE_UP = Screen(Move.SIZE_UP, "Size up", NEXT, "counter/life/swap.html", refusals=REFUSED_TO_SIGN)
REINSTATE = Screen(Move.REINSTATE, "Reinstate", NEXT, "counter/life/take_up.html", refusals=REFUSED_TO_SIGN)


@requires("agreements.sign")
@require_http_methods(READ_OR_SEND)
def exchange(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Choose an instrument of any kind, note how the rented one came back, show the new agreement, and let it be signed."""
    found = get_agreement(agreement_id)
    kind = request.GET.get("kind", "")
    units = list(inventory.find_available(kind)[:12]) if kind else []
    words = {"lead": "Choose the kind, then the instrument; or scan its tag.", "kinds": exchanging.list_kinds(), "kind": kind}
    return _swap(request, found, EXCHANGE, units, words)


@requires("agreements.sign")
@require_http_methods(READ_OR_SEND)
def size_up(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Choose a larger instrument of the same kind, the next size first; the rest as in an exchange."""
    found = get_agreement(agreement_id)
    words = {"lead": f"{found.item.kind.name}s larger than {found.item.size or 'this one'}. The teacher's measurement wins."}
    return _swap(request, found, SIZE_UP, exchanging.list_larger(found), words)


def _swap(
    request: HttpRequest, found: Agreement, screen: Screen, units: list[Instrument], words: dict[str, Any]
) -> HttpResponseBase:
    unit, other = ends.get_unit(found), instrument_of(request)
    loaner = ends.get_unit(found, "loaner")
    form = SwapForm(
        request.POST if request.method == "POST" else None,
        agreement=found,
        loaner=loaner.instrument if loaner else None,
        parts=ends.price_parts(found.item.kind.family),
        initial={"grade": unit.instrument.grade if unit else None, "protection": _protection_now(found)},
    )
    if other is None:
        return choose(request, screen=screen, form=form, units=units, words=words)

    def swap(**last: Any) -> exchanging.Swap:
        return exchanging.Swap(screen.move, other, form.wants_protection, form.condition, **last)

    def look() -> Figures:
        told = exchanging.preview_swap(found, swap(), acting_user=acting_user(request), now=clock.now(), today=clock.today())
        page = {"told": told, "consent_wording": wording.consent_wording()}
        return Figures(told.outcome.total, f"Sign and take {other.asset_tag}", page, {"sha256": told.sha256})

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        last = {"shown": given["shown"], "shown_sha256": given["sha256"], "signature": form.signature(_device(request))}
        return exchanging.swap_instrument(agreement=found, swap=swap(**last), **who)

    context = {"unit": unit, "other": other}
    return show_then_run(
        request, screen=screen, form=form, look=look, run=run, done=_done, context=context, is_signed=form.is_signed
    )


@requires("agreements.sign")
@require_http_methods(READ_OR_SEND)
def reinstate(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Choose the same instrument or one like it, show the agreement at the terms as signed, and let it be signed."""
    found, other = get_agreement(agreement_id), instrument_of(request)
    form = TakeUpForm(
        request.POST if request.method == "POST" else None, agreement=found, initial={"protection": _protection_now(found)}
    )
    if other is None:
        until = reinstating.last_day(found) if found.ended_on else None
        words = {"lead": f"It can be taken up again until {day(until)}, with the same instrument or one like it."}
        return choose(request, screen=REINSTATE, form=form, units=reinstating.list_like_it(found), words=words)

    def wanted(**last: Any) -> reinstating.TakeUp:
        return reinstating.TakeUp(other, form.wants_protection, **last)

    def look() -> Figures:
        told = reinstating.preview_take_up(found, wanted(), today=clock.today())
        page = {"told": told, "consent_wording": wording.consent_wording()}
        return Figures(ZERO, f"Sign and take {other.asset_tag}", page, {"sha256": told.sha256})

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        last = {"shown_sha256": given["sha256"], "signature": form.signature(_device(request))}
        return reinstating.reinstate(agreement=found, wanted=wanted(**last), **who)

    owed = billing.sum_open_lines(found.household_id, due_through=clock.today())
    context = {"other": other, "owed": owed}
    return show_then_run(
        request, screen=REINSTATE, form=form, look=look, run=run, done=_done, context=context, is_signed=form.is_signed
    )


def _protection_now(agreement: Agreement) -> str:
    return "yes" if has_protection(life.list_segments(agreement)) else "no"


def _device(request: HttpRequest) -> str:
    return request.headers.get("User-Agent", "")


def _done(event: LifeEvent) -> str:
    return f"{event.agreement.number} is signed: {event.note}. Its paper is being made and mailed."
