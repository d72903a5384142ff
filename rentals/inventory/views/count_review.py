"""The review of a stock count: what differs from the books, settled one by one or in ticks; the end of the count; its file."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from rentals.inventory.count_forms import CallOffForm, CloseCountForm, SettleForm
from rentals.inventory.models import StockCount
from rentals.inventory.operations import counts as operations
from rentals.inventory.operations import settling
from rentals.inventory.operations.count_errors import CountClosedError, DifferencesLeftError
from rentals.inventory.queries import count_review, counts
from rentals.inventory.queries.counts import Reconciled
from rentals.inventory.views.counts import name_kinds
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, may, requires

PAGE = 50
MOST_SENTENCES = 5
SHOWS = {"missing": "Not seen", "unexpected": "Unexpected", "explained": "Explained by moves", "settled": "Settled"}
COLUMNS = ["Code", "Serial number", "Kind", "Model", "Result", "Scanned at", "Scanned by", "Settled as", "Reason", "Settled by"]


@requires("stock.count")
def stock_count_review(request: HttpRequest, count_id: int) -> HttpResponseBase:
    """Show what a count found against the books."""
    return _show(request, _count(count_id))


def _count(count_id: int) -> StockCount:
    return get_object_or_404(StockCount.objects.select_related("location", "opened_by", "closed_by"), pk=count_id)


def _show(request: HttpRequest, count: StockCount, status: int = 200, **forms: Any) -> HttpResponseBase:
    compared = counts.reconcile(count, clock.now())
    settled = count_review.list_settlements(count)
    lists = {
        "missing": compared.missing,
        "unexpected": compared.unexpected,
        "explained": compared.explained,
        "settled": settled,
    }
    show = request.GET.get("show", "")
    if show not in SHOWS:
        show = next(
            (name for name in ("missing", "unexpected") if lists[name]), "settled" if compared.settlements else "explained"
        )
    page = Paginator(lists[show], PAGE).get_page(request.GET.get("page"))
    can_settle = may(request.user, "stock.settle") and count.is_open
    context: dict[str, Any] = {
        "count": count,
        "kinds": name_kinds(count.kinds),
        "compared": compared,
        "show": show,
        "tabs": _tabs(lists, show, compared),
        "page": page,
        "lines": list(page) if show == "settled" else count_review.list_lines(count, list(page)),
        "can_settle": can_settle,
        "waiting": len(compared.open_differences),
        "picked": request.POST.getlist("pick"),
    }
    if can_settle:
        differences = sorted({each.difference for each in lists[show]}) if show in {"missing", "unexpected"} else []
        context["settle"] = forms.get("settle") or SettleForm(count=count, differences=differences)
        context["close"] = forms.get("close") or CloseCountForm(auto_id="close_%s")
        context["call_off"] = forms.get("call_off") or CallOffForm(auto_id="off_%s")
        context["form"] = next(iter(forms.values()), None)
    return render(request, "inventory/counts/review.html", context, status=status)


def _tabs(lists: dict[str, Any], show: str, compared: Reconciled) -> list[dict[str, Any]]:
    sizes = {name: len(lists[name]) for name in ("missing", "unexpected", "explained")} | {"settled": compared.settlements}
    return [
        {"label": label, "url": f"?show={name}", "current": name == show, "count": sizes[name]} for name, label in SHOWS.items()
    ]


def _review(count_id: int, show: str = "") -> str:
    return reverse("stock_count_review", args=[count_id]) + (f"?show={show}" if show in SHOWS else "")


@require_POST
@requires("stock.settle")
@stands_on(_review)
def stock_count_settle(request: HttpRequest, count_id: int) -> HttpResponseBase:
    """Settle the differences that are ticked, in one way."""
    count = _count(count_id)
    picks = [pick for key in request.POST.getlist("pick") if (pick := settling.Pick.read(key))]
    form = SettleForm(request.POST, count=count, differences=sorted({pick.difference for pick in picks}) or list(_all()))
    if not picks:
        form.add_error(None, "Tick at least one line of the list first.")
    if not form.is_valid():
        return _show(request, count, status=422, settle=form)
    try:
        result = settling.settle(count=count, picks=picks, **form.cleaned_data, acting_user=acting_user(request), now=clock.now())
    except CountClosedError as error:
        messages.error(request, str(error))
    else:
        _tell(request, result, dict(form.fields["how"].choices)[form.cleaned_data["how"]])  # type: ignore[attr-defined]
    return HttpResponseRedirect(_review(count_id, request.GET.get("show", "")))


def _all() -> tuple[str, ...]:
    return ("missing", "elsewhere", "sold", "unknown")


def _tell(request: HttpRequest, result: settling.Settled, way: str) -> None:
    if result.done:
        name = str(result.done[0].instrument or "One code") if len(result.done) == 1 else f"{len(result.done):,}"
        messages.success(request, f"{name} settled: {way[:1].lower()}{way[1:]}.")
    for sentence in result.refused[:MOST_SENTENCES]:
        messages.warning(request, sentence)
    if len(result.refused) > MOST_SENTENCES:
        messages.warning(
            request, f"{len(result.refused) - MOST_SENTENCES:,} more were refused for such reasons; they still wait."
        )


@require_POST
@requires("stock.settle")
@stands_on(_review)
def stock_count_close(request: HttpRequest, count_id: int) -> HttpResponseBase:
    """Close a count for good, and leave what waits as it is if somebody says why."""
    count = _count(count_id)
    form = CloseCountForm(request.POST, auto_id="close_%s")
    form.is_valid()
    try:
        closed = operations.close_count(
            count=count,
            leave_rest=form.cleaned_data.get("leave_rest", ""),
            acting_user=acting_user(request),
            now=clock.now(),
        )
    except DifferencesLeftError as error:
        form.add_error("leave_rest", str(error))
        return _show(request, count, status=422, close=form)
    except CountClosedError as error:
        messages.info(request, str(error))
    else:
        messages.success(request, f"The count of {count.location} is closed: {closed.found:,} of {closed.expected:,} found.")
    return redirect("stock_count_review", count_id=count_id)


@require_POST
@requires("stock.settle")
@stands_on(_review)
def stock_count_call_off(request: HttpRequest, count_id: int) -> HttpResponseBase:
    """End a count without a result."""
    count = _count(count_id)
    form = CallOffForm(request.POST, auto_id="off_%s")
    if not form.is_valid():
        return _show(request, count, status=422, call_off=form)
    try:
        operations.call_off_count(count=count, **form.cleaned_data, acting_user=acting_user(request), now=clock.now())
    except CountClosedError as error:
        messages.info(request, str(error))
    else:
        messages.success(request, f"The count of {count.location} is called off. Nothing is concluded from it.")
    return redirect("stock_counts")


@requires("stock.count")
@limited("export", per_minute=EXPORTS)
def stock_count_csv(request: HttpRequest, count_id: int) -> HttpResponseBase:
    """Send everything of a count as a CSV file."""
    count = _count(count_id)
    compared = counts.reconcile(count, clock.now())
    return stream_csv(f"count-{count.location_id}-{count.pk}.csv", COLUMNS, count_review.list_export(compared))
