"""The screens of an instrument that is sold, retired, lost, written off, and of one that comes back after all."""

from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from billing import payments
from billing.fleet.operations import sales
from billing.ledger import MonthClosedError
from billing.models import FleetSale
from billing.taking.days import TakingClosedError
from rentals.agreements.queries import NoTaxAreaError
from rentals.counter.fleet import operations
from rentals.counter.fleet.forms import LATER, ComeBackForm, LoseForm, ReasonForm, SellForm
from rentals.inventory import operations as fleet
from rentals.inventory import queries
from rentals.inventory.models import Instrument
from rentals.inventory.views.custody import get_unit
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.runtime.templatetags.office import money
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, may, requires

REFUSALS = (
    fleet.InstrumentNotThereError,
    fleet.InstrumentOnAgreementError,
    fleet.WorkOrderStillOpenError,
    fleet.MoveBeforeLastMoveError,
    operations.SalePriceChangedError,
    operations.NotLostError,
    operations.NotInBooksError,
    sales.SaleUndoneError,
    payments.ChequeNumberMissingError,
    TakingClosedError,
    MonthClosedError,
    NoTaxAreaError,
    RequestKeyReusedError,
    RowsBusyError,
)


def _who(request: HttpRequest) -> dict[str, Any]:
    return {"acting_user": acting_user(request), "now": clock.now(), "today": clock.today()}


def _page(request: HttpRequest, template: str, unit: Instrument, form: Any, **more: Any) -> HttpResponseBase:
    here = unit.here  # type: ignore[attr-defined]
    context = {"form": form, "instrument": unit, "where": queries.describe(here) if here else None, **more}
    return render(request, f"counter/fleet/{template}.html", context, status=422 if form.errors else 200)


@requires("instruments.dispose")
def instrument_sell(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Ask the price and the buyer, show what it comes to with tax, then sell it."""
    unit = get_unit(instrument_id)
    form = SellForm(request.POST or None, initial={"method": "cash"})
    total: Decimal | None = None
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        household_id = data["household"].pk if data["household"] else None
        try:
            total = data["price"] + sales.tax_of(data["price"], household_id=household_id, on=clock.today())[1]
            if data["shown"] == total:
                return _sell(request, unit, data)
        except REFUSALS as error:
            form.add_error(None, str(error))
        form.data = {**form.data.dict(), "shown": str(total or "")}  # type: ignore[attr-defined]
    tax = total - form.cleaned_data["price"] if total is not None else None
    return _page(request, "sell", unit, form, total=total, tax=tax, hold=queries.get_hold(unit))


def _sell(request: HttpRequest, unit: Instrument, data: dict[str, Any]) -> HttpResponseBase:
    """Sell, and go on to the receipt, or to the family's payment. Raises one of REFUSALS."""
    method = "" if data["method"] == LATER else data["method"]
    asked = operations.ToSell(unit, data["price"], data["shown"], data["household"], data["buyer"], method, data["cheque_number"])
    sold = operations.sell_instrument(asked=asked, request_key=data["request_key"], **_who(request))
    words = f"{unit.asset_tag} is sold for {money(sold.sale.price + sold.sale.tax)}"
    if sold.payment:
        messages.success(request, f"{words}. Paid: receipt {sold.payment.number}.")
        return redirect("payment", sold.payment.pk)
    messages.success(request, f"{words}. It stands on the account of {sold.sale.household.name}: take the payment when it comes.")
    return redirect("instrument", unit.pk)


@requires("instruments.dispose")
def sale_undo(request: HttpRequest, sale_id: int) -> HttpResponseBase:
    """Ask where it stands and why, then undo the sale."""
    sale = get_object_or_404(FleetSale.objects.select_related("household"), pk=sale_id)
    unit = get_unit(sale.instrument_id)
    form = ComeBackForm(request.POST or None, hint="Sold by mistake: another one was meant.")
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            operations.undo_sale(sale=sale, location=data["location"], because=data["reason"], **_who(request))
        except REFUSALS as error:
            form.add_error(None, str(error))
        else:
            messages.success(
                request,
                f"The sale of {unit.asset_tag} is undone, and it is on the shelf. What was paid waits on the account of "
                f"{sale.household.name}: refund it, or void the payment.",
            )
            return redirect("instrument", unit.pk)
    return _page(request, "undo_sale", unit, form, sale=sale)


@requires("instruments.dispose")
def instrument_retire(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Ask why, then take it out of use and out of the books."""
    unit = get_unit(instrument_id)
    form = ReasonForm(request.POST or None, hint="Beyond repair: the body is cracked. Or given away, and to whom.")
    if request.method == "POST" and form.is_valid():
        try:
            removal = operations.retire_instrument(instrument=unit, reason=form.cleaned_data["reason"], **_who(request))
        except REFUSALS as error:
            form.add_error(None, str(error))
        else:
            booked = " and out of the books" if removal else ""
            messages.success(request, f"{unit.asset_tag} is retired{booked}. By mistake? Take it “Back into use”.")
            return redirect("instrument", unit.pk)
    return _page(request, "retire", unit, form)


@requires("instruments.move")
def instrument_lose(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Ask where it was last seen, then put it among the lost; a manager may write it off with it."""
    unit = get_unit(instrument_id)
    form = LoseForm(request.POST or None, may_write_off=may(request.user, "instruments.dispose"))
    if request.method == "POST" and form.is_valid():
        who, data = _who(request), form.cleaned_data
        try:
            removal = operations.lose_instrument(
                instrument=unit, reason=data["reason"], write_off=data.get("write_off", False), **who
            )
        except REFUSALS as error:
            form.add_error(None, str(error))
        else:
            booked = " and out of the books" if removal else ""
            messages.success(request, f"{unit.asset_tag} is among the lost{booked}. When it turns up, say “It was found”.")
            return redirect("instrument", unit.pk)
    return _page(request, "lose", unit, form)


@require_POST
@requires("instruments.dispose")
@stands_on(lambda instrument_id: f"/instruments/{instrument_id}/")
def instrument_write_off(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Take a lost instrument out of the books; finding it takes that back."""
    unit = get_unit(instrument_id)
    try:
        operations.write_off_lost(instrument=unit, **_who(request))
    except REFUSALS as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"{unit.asset_tag} is out of the books. If it is found, it goes back in as it was.")
    return redirect("instrument", unit.pk)


@requires("instruments.move")
def instrument_find(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Ask where it stands, then put what was lost or retired onto the shelf again."""
    unit = get_unit(instrument_id)
    form = ComeBackForm(request.POST or None, hint="Found behind the risers.")
    if request.method == "POST" and form.is_valid():
        try:
            undone = operations.find_instrument(instrument=unit, **form.cleaned_data, **_who(request))
        except REFUSALS as error:
            form.add_error(None, str(error))
        else:
            booked = ", and in the books as it was" if undone else ""
            messages.success(request, f"{unit.asset_tag} is on the shelf again{booked}.")
            return redirect("instrument", unit.pk)
    losses = list(unit.loss_reports.select_related("agreement"))
    return _page(request, "find", unit, form, losses=losses)
