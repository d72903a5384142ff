"""The screens of quoting, buying, stepping up, taking back and losing: each shows what it comes to before its last button."""

import dataclasses
import datetime
from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.views.decorators.http import require_http_methods

from billing import purchases
from billing.models import Purchase
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.counter.life import buying, ends, leaving
from rentals.counter.life.common import Screen, get_agreement, show_or_run
from rentals.counter.life.leaving_forms import BuyForm, LossForm, QuoteForm, ReturnForm, StepUpForm
from rentals.counter.life.showing import Figures, button, choose, instrument_of, show_then_run
from rentals.inventory import operations as fleet
from rentals.inventory.models import Instrument
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day, money
from rentals.staff.policy import acting_user, requires

REFUSED = (
    purchases.QuoteExpiredError,
    purchases.CreditNoLongerEarnedError,
    purchases.NoPriceToBuyError,
    purchases.NotABetterOneError,
    purchases.PriceChangedError,
    purchases.QuoteValidTooLongError,
    ends.NoInstrumentOnItError,
    ends.FiguresChangedError,
    leaving.DayAheadError,
    fleet.WorkOrderAlreadyOpenError,
    fleet.WorkOrderStillOpenError,
    fleet.InstrumentNotThereError,
)
READ_OR_SEND = ["GET", "HEAD", "POST"]

QUOTE = Screen(Move.QUOTE_PAYOFF, "Quote the price to buy", "Quote this price", "counter/life/quote.html", refusals=REFUSED)
BUY = Screen(Move.BUY, "Buy it", "Sell it", "counter/life/buy.html", refusals=REFUSED)
STEP_UP = Screen(Move.STEP_UP, "Step up to a better one", "Show what it comes to", "counter/life/step_up.html", refusals=REFUSED)
RETURN = Screen(Move.RETURN, "Take it back", "Show what it comes to", "counter/life/return.html", refusals=REFUSED)
LOSS = Screen(Move.REPORT_LOSS, "Report a loss", "Show what it comes to", "counter/life/loss.html", refusals=REFUSED)


def _loaner(agreement: Agreement) -> Instrument | None:
    unit = ends.get_unit(agreement, "loaner")
    return unit.instrument if unit else None


def _who(request: HttpRequest) -> dict[str, Any]:
    return {"acting_user": acting_user(request), "now": clock.now(), "today": clock.today()}


def _price(agreement: Agreement, request: HttpRequest) -> tuple[buying.ToBuy | None, str]:
    """Return the price to buy today, by an open quote where it still holds, and why a quote or the sale does not."""
    quote = purchases.get_open_quote(agreement, on=clock.today()) if agreement.is_open else None
    why = ""
    for each in [quote, None] if quote else [None]:
        try:
            return buying.preview_buy(agreement, quote=each, **_who(request)), why
        except (purchases.CreditNoLongerEarnedError, purchases.NoPriceToBuyError) as error:
            why = str(error)
    return None, why


@requires("agreements.buy")
@require_http_methods(READ_OR_SEND)
def quote_payoff(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Show what it costs to buy today, and write it down with a day through which it holds."""
    found = get_agreement(agreement_id)
    until = clock.today() + datetime.timedelta(days=purchases.VALID_DAYS)
    form = QuoteForm(request.POST if request.method == "POST" else None, agreement=found, initial={"valid_until": until})
    to_buy, why = _price(found, request) if found.is_open else (None, "")

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return buying.quote_payoff(agreement=found, valid_until=given["valid_until"], **who)

    def done(event: LifeEvent) -> str:
        return f"Quoted: {event.note}. The paper for the family is being made; it stands under Papers."

    return show_or_run(request, screen=QUOTE, form=form, run=run, done=done, context={"to_buy": to_buy, "why": why})


@requires("agreements.buy")
@require_http_methods(READ_OR_SEND)
def buy(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Show the price to buy today, step by step, and sell."""
    found = get_agreement(agreement_id)
    to_buy, why = _price(found, request) if found.is_open else (None, "")
    sale = to_buy.price.sale if to_buy else ZERO
    posted = request.POST if request.method == "POST" else None
    form = BuyForm(posted, agreement=found, loaner=_loaner(found), initial={"shown": sale})
    context = {"to_buy": to_buy, "why": why}

    def look() -> Figures:
        current, reason = _price(found, request)
        if current is None:
            raise purchases.NoPriceToBuyError(found.item)
        page = {"to_buy": current, "why": reason}
        return Figures(current.price.sale, f"Sell it for {money(current.price.sale)}", page)

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        terms = buying.Terms(given["shown"], to_buy.quote if to_buy else None, given.get("location"))
        return buying.buy(agreement=found, terms=terms, **who)

    screen = dataclasses.replace(BUY, button=f"Sell it for {money(sale)}") if sale else BUY
    return show_then_run(request, screen=screen, form=form, look=look, run=run, done=_sold, context=context)


def _sold(event: LifeEvent) -> str:
    sold = Purchase.objects.select_related("instrument").get(pk=event.detail["purchase"])
    if purchases.is_paid(sold):
        return f"{sold.instrument.asset_tag} is sold and paid. The bill of sale is being made."
    return f"{sold.instrument.asset_tag} is sold. Take the payment now: the bill of sale follows when it is paid."


@requires("agreements.buy")
@require_http_methods(READ_OR_SEND)
def step_up(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Choose a better instrument, note how the rented one came back, show the price with the step-up credit, and sell."""
    found, better = get_agreement(agreement_id), instrument_of(request)
    unit = ends.get_unit(found)
    form = StepUpForm(
        request.POST if request.method == "POST" else None,
        agreement=found,
        loaner=_loaner(found),
        parts=ends.price_parts(found.item.kind.family),
        initial={"grade": unit.instrument.grade if unit else None},
    )
    if better is None:
        words = {"lead": f"Instruments on a shelf that cost more than {money(found.purchase_price)}.", "prices": True}
        return choose(request, screen=STEP_UP, form=form, units=buying.list_better(found), words=words)
    chosen: Instrument = better

    def condition() -> ends.Condition:
        assert form.condition is not None
        return form.condition

    def look() -> Figures:
        to_buy = buying.preview_step_up(found, chosen, condition(), **_who(request))
        return Figures(to_buy.sale, f"Sell {chosen.asset_tag}, take {unit and unit.instrument} back", {"to_buy": to_buy})

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return buying.step_up(agreement=found, better=chosen, condition=condition(), shown=given["shown"], **who)

    context = {"better": better, "unit": unit}
    return show_then_run(request, screen=STEP_UP, form=form, look=look, run=run, done=_sold, context=context)


@requires("agreements.return")
@require_http_methods(READ_OR_SEND)
def take_back(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Note how the instrument came back, show what the return comes to, and end the agreement."""
    found = get_agreement(agreement_id)
    unit = ends.get_unit(found)
    form = ReturnForm(
        request.POST if request.method == "POST" else None,
        agreement=found,
        loaner=_loaner(found),
        parts=ends.price_parts(found.item.kind.family),
        initial={"on": clock.today(), "grade": unit.instrument.grade if unit else None},
    )

    def look() -> Figures:
        told = leaving.preview_return(found, leaving.GivenBack(form.cleaned_data["on"], form.condition), **_who(request))
        return Figures(told.outcome.total, button(last, told.outcome.total), {"told": told, "outcome": told.outcome})

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return leaving.take_back(agreement=found, back=leaving.GivenBack(given["on"], form.condition, given["shown"]), **who)

    def done(event: LifeEvent) -> str:
        return f"{event.agreement.number} ended: {event.note}. The {paper} is being made; it stands under Papers."

    last, paper = ("End it", "paper for the family") if form.waits else ("Take it back", "return receipt")
    screen = dataclasses.replace(RETURN, title="End it without an instrument") if form.waits else RETURN
    if form.waits:
        form.fields["on"].label = "Ends on"
    context = {"unit": unit}
    return show_then_run(request, screen=screen, form=form, look=look, run=run, done=done, context=context)


@requires("agreements.report_loss")
@require_http_methods(READ_OR_SEND)
def report_loss(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Note what happened, show what the family answers for and why, and end the agreement."""
    found = get_agreement(agreement_id)
    is_protected = leaving.had_protection(found, clock.today())
    form = LossForm(
        request.POST if request.method == "POST" else None,
        agreement=found,
        loaner=_loaner(found),
        is_protected=is_protected,
        initial={"happened_on": clock.today()},
    )

    def loss(given: dict[str, Any]) -> leaving.Loss:
        return leaving.Loss(
            kind=given["kind"],
            happened_on=given["happened_on"],
            police_report_number=given["police_report_number"],
            is_covered=given.get("is_covered", "no") == "yes",
            note=given["note"],
            location=given.get("location"),
            shown=given["shown"],
        )

    def look() -> Figures:
        answer, outcome = leaving.preview_loss(found, loss(form.cleaned_data), **_who(request))
        page = {"answer": answer, "outcome": outcome}
        return Figures(outcome.total, button("Write the loss down", outcome.total), page, is_grave=True)

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return leaving.report_loss(agreement=found, loss=loss(given), **who)

    def done(event: LifeEvent) -> str:
        return f"Written down on {day(clock.today())}. {event.note}"

    context = {"is_protected": is_protected, "unit": ends.get_unit(found)}
    return show_then_run(request, screen=LOSS, form=form, look=look, run=run, done=done, context=context)
