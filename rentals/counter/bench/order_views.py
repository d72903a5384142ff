"""The page of one work order, and the acts on it: each loads the page, runs one operation, and comes back to it."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_POST

from billing.repairs import TAX_CAUTION
from rentals.counter.bench import order_forms as forms
from rentals.counter.bench import papers
from rentals.counter.bench.forms import GoOutForm
from rentals.counter.bench.order_queries import OrderSheet, get_order_sheet
from rentals.counter.bench.queries import get_bench_sheet
from rentals.inventory import operations as fleet
from rentals.inventory.forms import show_version
from rentals.inventory.models import WorkOrder
from rentals.inventory.queries import photos
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, may, requires

FORMS: dict[str, type[forms.OrderForm]] = {
    "state": forms.StateForm,
    "stop": forms.StopForm,
    "payer": forms.PayerForm,
    "assign": forms.AssignForm,
    "labour": forms.LabourForm,
    "part": forms.PartForm,
    "estimate": forms.EstimateForm,
    "decision": forms.DecisionForm,
    "test": forms.TestForm,
}
REFUSALS = (
    fleet.ApprovalNeededError,
    fleet.EstimateDecidedError,
    fleet.EstimateOverError,
    fleet.FamilyDoesNotPayError,
    fleet.NothingEstimatedError,
    fleet.PartsShortError,
    fleet.PayerNotDecidedError,
    fleet.PlayingTestMissingError,
    fleet.RateMissingError,
    fleet.ReasonMissingError,
    fleet.StateNotPossibleError,
    fleet.WarrantyNotPossibleError,
    fleet.WorkOrderClosedError,
    RowsBusyError,
)


def _page_of(order_id: int, **_: Any) -> str:
    return reverse("work_order", args=[order_id])


def _sheet_or_404(order_id: int) -> OrderSheet:
    sheet = get_order_sheet(order_id, clock.today())
    if sheet is None:
        raise Http404
    return sheet


@requires("bench.record_approval")
def work_order(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Show one work order: what is wrong, who pays, what was done, what comes next."""
    return _show(request, _sheet_or_404(order_id))


def _show(
    request: HttpRequest, sheet: OrderSheet, status: int = 200, changed: Any = None, **bound: forms.OrderForm
) -> HttpResponseBase:
    unbound = {name: form(sheet=sheet, auto_id=f"{name}_%s") for name, form in FORMS.items() if name not in bound}
    context = {
        "sheet": sheet,
        "order": sheet.order,
        "forms": {**unbound, **bound},
        "form": next(iter(bound.values()), None),
        "changed": changed,
        "photos": photos.list_photos(sheet.instrument, sheet.order),
        "tax_caution": TAX_CAUTION,
        "written": papers.list_written(sheet),
        "go_out": _go_out(sheet) if sheet.may_close and may(request.user, "instruments.move") else None,
    }
    return render(request, "counter/bench/order.html", context, status=status)


def _go_out(sheet: OrderSheet) -> GoOutForm | None:
    bench = get_bench_sheet(sheet.instrument.asset_tag, clock.today())
    if bench is None or not bench.is_at_bench:
        return None
    shop = {"location": bench.where.custody.location_id} if bench.where else {}
    return GoOutForm(sheet=bench, initial=shop, auto_id="out_%s")


def _act(
    request: HttpRequest,
    order_id: int,
    *,
    name: str,
    run: Callable[..., Any],
    words: Callable[[forms.OrderForm], str],
    part: str = "",
) -> HttpResponseBase:
    """Run one act with its form: done and shown anew at `part` of the page, or refused in the form with all that was typed."""
    sheet = _sheet_or_404(order_id)
    form = FORMS[name](request.POST, sheet=sheet, auto_id=f"{name}_%s")
    status, changed = 422, None
    if form.is_valid():
        who = {"version": form.cleaned_data["version"], "acting_user": acting_user(request), "now": clock.now()}
        try:
            run(form, order=sheet.order, **who)
        except fleet.WorkOrderChangedError as error:
            status, changed = 409, error
            show_version(form, error.current.version)
        except REFUSALS as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, words(form))
            return HttpResponseRedirect(_page_of(order_id) + (f"#{part}" if part else ""))
    return _show(request, _sheet_or_404(order_id), status=status, changed=changed, **{name: form})


@require_POST
@requires("bench.work")
@stands_on(_page_of)
def work_order_state(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Bring the order to another state."""

    def run(form: forms.OrderForm, **who: Any) -> None:
        fleet.change_state(to=form.cleaned_data["to"], note=form.cleaned_data["note"], **who)

    def words(form: forms.OrderForm) -> str:
        return f"Now: {WorkOrder.State(form.cleaned_data['to']).label.lower()}."

    return _act(request, order_id, name="state", run=run, words=words)


@require_POST
@requires("bench.work")
@stands_on(_page_of)
def work_order_stop(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Let it go back unrepaired, with the reason."""

    def run(form: forms.OrderForm, **who: Any) -> None:
        fleet.change_state(to=WorkOrder.State.READY, note=form.cleaned_data["note"], **who)

    return _act(
        request, order_id, name="stop", run=run, words=lambda _: "Ready to go back unrepaired. The family is charged nothing."
    )


@require_POST
@requires("bench.work")
@stands_on(_page_of)
def work_order_payer(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Say who pays."""

    def run(form: forms.OrderForm, **who: Any) -> None:
        fleet.decide_payer(paid_by=form.cleaned_data["paid_by"], again_for=form.cleaned_data["again_for"], **who)

    def words(form: forms.OrderForm) -> str:
        return f"Noted who pays: {WorkOrder.PaidBy(form.cleaned_data['paid_by']).label.lower()}."

    return _act(request, order_id, name="payer", run=run, words=words)


@require_POST
@requires("bench.work")
@stands_on(_page_of)
def work_order_assign(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Say who works on it and for when it is promised."""

    def run(form: forms.OrderForm, **who: Any) -> None:
        fleet.assign_order(assigned_to=form.cleaned_data["assigned_to"], promised_on=form.cleaned_data["promised_on"], **who)

    return _act(request, order_id, name="assign", run=run, words=lambda _: "Noted.")


@require_POST
@requires("bench.work")
@stands_on(_page_of)
def work_order_labour(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Write down minutes at the bench."""

    def run(form: forms.OrderForm, **who: Any) -> None:
        fleet.add_labour(what=form.cleaned_data["what"], minutes=form.cleaned_data["minutes"], **who)

    def words(form: forms.OrderForm) -> str:
        return f"{form.cleaned_data['minutes']} minutes are written down: {form.cleaned_data['what']}."

    return _act(request, order_id, name="labour", run=run, words=words, part="lines")


@require_POST
@requires("bench.work")
@stands_on(_page_of)
def work_order_part(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Take pieces of a part from stock."""

    def run(form: forms.OrderForm, **who: Any) -> None:
        fleet.use_part(part=form.cleaned_data["part"], quantity=form.cleaned_data["quantity"], **who)

    def words(form: forms.OrderForm) -> str:
        return f"{form.cleaned_data['quantity']} × {form.cleaned_data['part']} taken from stock."

    return _act(request, order_id, name="part", run=run, words=words, part="lines")


@require_POST
@requires("bench.work")
@stands_on(_page_of)
def work_order_line_off(request: HttpRequest, order_id: int, line_id: int) -> HttpResponseBase:
    """Take a line off again; a part goes back into stock."""
    sheet = _sheet_or_404(order_id)
    line = next((each for each in sheet.lines if each.pk == line_id), None)
    if line is None:
        messages.info(request, "That line was taken off already.")
        return HttpResponseRedirect(f"{_page_of(order_id)}#lines")
    try:
        fleet.take_line_off(line=line, acting_user=acting_user(request), now=clock.now())
    except (fleet.WorkOrderClosedError, RowsBusyError) as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"Taken off: {line.what}.")
    return HttpResponseRedirect(f"{_page_of(order_id)}#lines")


@require_POST
@requires("bench.work")
@stands_on(_page_of)
def work_order_estimate(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Make an estimate; the order waits for the family's answer."""

    def run(form: forms.OrderForm, **who: Any) -> None:
        fleet.make_estimate(covers=form.cleaned_data["covers"], lines=form.cleaned_data["lines"], **who)

    words = "The estimate is made. Ask the family, and record its answer here."
    return _act(request, order_id, name="estimate", run=run, words=lambda _: words, part="estimate")


@require_POST
@requires("bench.record_approval")
@stands_on(_page_of)
def work_order_decide(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Record what the family answered."""

    def run(form: forms.OrderForm, order: WorkOrder, **who: Any) -> None:
        estimate = form.sheet.open_estimate
        if estimate is None:
            message = "There is no estimate that waits for an answer: make one first."
            raise fleet.ReasonMissingError(message)
        data = form.cleaned_data
        fleet.decide_estimate(
            estimate=estimate, decision=data["decision"], way=data["way"], who_said_so=data["who_said_so"], **who
        )

    def words(form: forms.OrderForm) -> str:
        agreed = form.cleaned_data["decision"] == "approved"
        return "The family agreed: the work goes on." if agreed else "The family does not want it: it goes back unrepaired."

    return _act(request, order_id, name="decision", run=run, words=words)


@require_POST
@requires("bench.work")
@stands_on(_page_of)
def work_order_test(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Write down the playing test."""
    passed: list[bool] = []

    def run(form: forms.OrderForm, **who: Any) -> None:
        assert isinstance(form, forms.TestForm)
        passed.append(fleet.record_quality_check(points=form.points, note=form.cleaned_data["note"], **who).passed)

    def words(_: forms.OrderForm) -> str:
        return "It passed: ready." if passed[-1] else "It did not pass: back on the bench."

    return _act(request, order_id, name="test", run=run, words=words)
