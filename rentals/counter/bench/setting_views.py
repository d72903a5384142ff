"""What a manager sets up for the bench: rates by date, warranty, estimates; and the parts it keeps."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from billing.repairs import TAX_CAUTION
from rentals.counter.bench.setting_forms import ArrivedForm, PartStockForm, RateForm, SettingForm
from rentals.inventory import operations as fleet
from rentals.inventory import work_queries
from rentals.inventory.forms import show_version
from rentals.inventory.models import BenchRate, RepairPart
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, may, requires

NAMES = ("warranty_days", "estimate_above", "estimate_days", "tax_labour", "version")


def _page(**_: Any) -> str:
    return reverse("bench_settings")


def _show(request: HttpRequest, status: int = 200, **bound: Any) -> HttpResponseBase:
    setting = work_queries.get_bench_setting()
    initial = {name: getattr(setting, name) for name in NAMES}
    context = {
        "setting_form": bound.get("setting") or SettingForm(initial=initial, auto_id="setting_%s"),
        "rate_form": bound.get("rate") or RateForm(initial={"from_on": clock.today()}, auto_id="rate_%s"),
        "form": next(iter(bound.values()), None),
        "rates": BenchRate.objects.select_related("set_by").order_by("-from_on"),
        "today": clock.today(),
        "in_force": work_queries.get_rate(clock.today()),
        "tax_caution": TAX_CAUTION,
    }
    return render(request, "counter/bench/settings.html", context, status=status)


@requires("bench.set_up")
def bench_settings(request: HttpRequest) -> HttpResponseBase:
    """Show how the bench works, and change how long it answers for its work and when a family is asked."""
    if request.method != "POST":
        return _show(request)
    form, status = SettingForm(request.POST, auto_id="setting_%s"), 422
    if form.is_valid():
        data = {**form.cleaned_data, "estimate_above": form.cleaned_data["estimate_above"].amount}
        try:
            fleet.change_settings(**data, acting_user=acting_user(request))
        except fleet.BenchSettingChangedError as error:
            form.add_error(None, str(error))
            show_version(form, work_queries.get_bench_setting().version)
            status = 409
        else:
            messages.success(request, "The bench works by these settings now.")
            return redirect("bench_settings")
    return _show(request, status=status, setting=form)


@require_POST
@requires("bench.set_up")
@stands_on(_page)
def bench_rate(request: HttpRequest) -> HttpResponseBase:
    """Set the hourly rates from a day on."""
    form = RateForm(request.POST, auto_id="rate_%s")
    if form.is_valid():
        data = form.cleaned_data
        try:
            fleet.set_rate(
                from_on=data["from_on"],
                cost_per_hour=data["cost_per_hour"].amount,
                price_per_hour=data["price_per_hour"].amount,
                acting_user=acting_user(request),
                now=clock.now(),
                today=clock.today(),
            )
        except fleet.RateInThePastError as error:
            form.add_error("from_on", str(error))
        else:
            messages.success(request, "The rates are set. What is written down already keeps its cost.")
            return redirect("bench_settings")
    return _show(request, status=422, rate=form)


@require_safe
@requires("bench.work")
def repair_parts(request: HttpRequest) -> HttpResponseBase:
    """List the parts the bench keeps, those that run out first where asked."""
    words, low = request.GET.get("words", "").strip()[:60], request.GET.get("low") == "1"
    found = RepairPart.objects.order_by("on_hand", "name") if low else RepairPart.objects.order_by("name")
    if words:
        found = found.filter(name__icontains=words) | found.filter(sku__icontains=words)
    context = {
        "page": Paginator(found, 50).get_page(request.GET.get("page")),
        "words": words,
        "low": low,
        "has_any": bool(words) and RepairPart.objects.exists(),
        "may_change": may(request.user, "bench.set_up"),
    }
    return render(request, "counter/bench/parts.html", context)


@require_safe
@requires("bench.work")
@limited("export", per_minute=EXPORTS)
def repair_parts_csv(request: HttpRequest) -> HttpResponseBase:
    """The parts as a file."""
    header = ["Code", "Name", "On hand", "Cost", "Price", "In use"]
    rows = (
        [part.sku, part.name, part.on_hand, part.cost.amount, part.price.amount, "yes" if part.is_active else "no"]
        for part in RepairPart.objects.order_by("name").iterator(chunk_size=2000)
    )
    return stream_csv("repair-parts.csv", header, rows)


@requires("bench.set_up")
def repair_part_add(request: HttpRequest) -> HttpResponseBase:
    """Add a part that the bench keeps."""
    form = PartStockForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            fleet.add_part(
                sku=data["sku"],
                name=data["name"],
                cost=data["cost"].amount,
                price=data["price"].amount,
                on_hand=data["on_hand"],
                acting_user=acting_user(request),
            )
        except fleet.PartTakenError as error:
            form.add_error("sku", str(error))
        else:
            messages.success(request, f"{data['name']} is on the list.")
            return redirect("repair_parts")
    return render(request, "counter/bench/part_form.html", {"form": form, "part": None}, status=422 if form.errors else 200)


@requires("bench.set_up")
def repair_part_change(request: HttpRequest, sku: str) -> HttpResponseBase:
    """Change a part, or say how many were counted."""
    part = get_object_or_404(RepairPart, pk=sku)
    form = PartStockForm(request.POST or None, part=part)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            data = form.cleaned_data
            prices = {name: data[name].amount for name in ("cost", "price")}
            facts = {name: data[name] for name in ("name", "on_hand", "is_active")}
            try:
                fleet.change_part(part=part, version=data["version"] or 0, **prices, **facts, acting_user=acting_user(request))
            except fleet.BenchSettingChangedError as error:
                part.refresh_from_db()
                form.add_error(None, f"{error} There are {part.on_hand} on hand now.")
                show_version(form, part.version)
                status = 409
            else:
                messages.success(request, f"{data['name']} is saved.")
                return redirect("repair_parts")
    return render(request, "counter/bench/part_form.html", {"form": form, "part": part}, status=status)


@requires("bench.work")
def repair_part_arrived(request: HttpRequest, sku: str) -> HttpResponseBase:
    """Put pieces that arrived to those on hand."""
    part = get_object_or_404(RepairPart, pk=sku)
    form = ArrivedForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            fleet.receive_parts(part=part, **form.cleaned_data, acting_user=acting_user(request))
        except RequestKeyReusedError as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"There are {part.on_hand} of {part.name} now.")
            return redirect("repair_parts")
    status = 422 if form.errors else 200
    return render(request, "counter/bench/part_arrived.html", {"form": form, "part": part}, status=status)
