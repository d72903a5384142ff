"""One instrument: what it earned and cost, when it has paid for itself, and whether it is worth a repair."""

import datetime
from typing import Any

from dateutil.relativedelta import relativedelta
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from billing.earning import advice, drawings, judging, queries, rent, rules, spans
from billing.earning.forms import SupposeForm
from billing.earning.queries import Figures
from billing.earning.tables import OF_ONE
from billing.earning.views.common import written
from rentals.inventory.models import Instrument
from rentals.runtime import clock
from rentals.staff.policy import requires


def _payback(instrument: Instrument, months: list[tuple[datetime.date, rent.Earned]], today: datetime.date) -> rules.Payback:
    year_ago = today - relativedelta(years=1)
    last_year = rent.add_up(earned for month, earned in months if month > year_ago).net
    return rules.pay_back(instrument.cost.amount, [(month, earned.net) for month, earned in months], last_year=last_year)


def _facts(figures: Figures) -> list[tuple[str, str]]:
    return [(text, column.label) for text, column in written(figures, OF_ONE)]


@requires("fleet.figures")
@never_cache
def instrument_figures(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Show one instrument's figures; asked for by a part of another page, only their gist."""
    instrument = get_object_or_404(Instrument.objects.select_related("item__kind", "fleet_asset"), pk=instrument_id)
    today = clock.today()
    offered = queries.list_spans(today)
    span, everything = spans.choose(request.GET.get("span", ""), offered), offered[-1]
    life = queries.read_life(instrument.pk, everything, clock.now())
    context: dict[str, Any] = {
        "instrument": instrument,
        "of_all": _facts(life.within(everything)),
        "of_span": _facts(life.within(span)),
        "payback": _payback(instrument, life.rent, today),
        "spans": offered,
        "span": span,
        "asset": getattr(instrument, "fleet_asset", None),
        "back": {"label": "What the fleet earns", "url": reverse("fleet_figures_instruments")},
    }
    if request.headers.get("HX-Request"):
        return render(request, "billing/earning/instrument_part.html", context)
    context["chart"] = drawings.payback(instrument.cost.amount, life.rent)
    return render(request, "billing/earning/instrument.html", context)


@requires("fleet.figures")
@never_cache
def instrument_advice(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Weigh a repair of one instrument, by what is known or by what somebody supposes. Nothing is kept."""
    instrument = get_object_or_404(Instrument.objects.select_related("item__kind"), pk=instrument_id)
    form = SupposeForm(request.GET if {"repair", "months"} & set(request.GET) else None)
    supposed: dict[str, Any] = {}
    if form.is_bound and form.is_valid():
        repair = form.cleaned_data["repair"]
        supposed = {"repair": repair.amount if repair else None, "months": form.cleaned_data["months"]}
    ground = judging.stand_on(queries.read_catalogue(), clock.today(), clock.now(), instrument.item.kind_id)
    context = {
        "instrument": instrument,
        "subtitle": f"{instrument}, {instrument.item.kind.name.lower()}, {instrument.item}",
        "form": form,
        "judged": judging.judge(ground, instrument, **supposed),
        "rule": advice.RULE,
        "back": {"label": f"{instrument} earns", "url": reverse("instrument_figures", args=[instrument.pk])},
    }
    return render(request, "billing/earning/instrument_advice.html", context, status=422 if form.errors else 200)
