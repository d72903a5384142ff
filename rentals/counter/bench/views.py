"""The scan page: one field, one verdict, and the few things that can be done with what was scanned."""

import datetime
from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_POST

from rentals.counter.bench import operations
from rentals.counter.bench.forms import GoOutForm, ShopForm, TakeInForm
from rentals.counter.bench.queries import BenchSheet, get_bench_sheet
from rentals.counter.bench.refusals import REFUSALS
from rentals.inventory import operations as fleet
from rentals.inventory import queries
from rentals.inventory.models import Location, WorkOrder
from rentals.inventory.operations import photos
from rentals.runtime import clock
from rentals.runtime.camera import with_camera
from rentals.runtime.locks import RowsBusyError
from rentals.runtime.templatetags.office import day
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires

KEPT_SCANS = 8
SAME_SCAN = datetime.timedelta(seconds=3)


@with_camera
@requires("instruments.move")
def bench(request: HttpRequest) -> HttpResponseBase:
    """Scan or type a tag; show what it is, where it is, who has it, what is covered, and what can be done."""
    tag = "".join(letter for letter in request.GET.get("tag", "") if letter.isprintable()).strip()
    sheet = get_bench_sheet(tag, clock.today()) if tag else None
    if tag:
        _remember(
            request, sheet.instrument.asset_tag if sheet else tag[:20].upper(), sheet.verdict if sheet else ("unknown tag", "bad")
        )
    return _show(request, tag, sheet)


def _show(request: HttpRequest, tag: str, sheet: BenchSheet | None, status: int = 200, **forms: Any) -> HttpResponseBase:
    shop = {"location": request.session.get("bench_location", "")}
    if sheet and sheet.where and sheet.where.custody.location_id and sheet.is_at_bench:
        shop = {"location": sheet.where.custody.location_id}
    context: dict[str, Any] = {"tag": tag, "sheet": sheet, "scans": request.session.get("bench_scans", [])}
    if sheet:
        shops = list(Location.objects.filter(is_active=True).order_by("name"))
        context |= {
            "take_in": forms.get("take_in") or TakeInForm(sheet=sheet, shops=shops, initial=shop, auto_id="in_%s"),
            "go_out": forms.get("go_out") or GoOutForm(sheet=sheet, shops=shops, initial=shop, auto_id="out_%s"),
            "shop": forms.get("shop") or ShopForm(shops=shops, initial=shop, auto_id="shop_%s"),
            "form": next(iter(forms.values()), None),
        }
    elif tag:
        context["near"] = queries.list_near_tags(tag)
    partial = request.htmx and request.htmx.target == "bench-result"  # type: ignore[attr-defined]
    return render(request, "counter/bench/result.html" if partial else "counter/bench/bench.html", context, status=status)


def _remember(request: HttpRequest, tag: str, verdict: tuple[str, str]) -> None:
    """Keep the last scans of this person; the same label read twice within three seconds is one scan."""
    now = clock.now()
    scans = request.session.get("bench_scans", [])
    if scans and scans[0]["tag"] == tag and now - datetime.datetime.fromisoformat(scans[0]["at"]) < SAME_SCAN:
        return
    line = {"tag": tag, "words": verdict[0], "tone": verdict[1], "at": now.isoformat()}
    request.session["bench_scans"] = [line, *scans][:KEPT_SCANS]


def _sheet_or_404(tag: str, *, for_intake: bool = False) -> BenchSheet:
    sheet = get_bench_sheet(tag, clock.today(), for_intake=for_intake)
    if sheet is None:
        raise Http404
    return sheet


def _done(request: HttpRequest, sheet: BenchSheet, words: str) -> HttpResponseBase:
    messages.success(request, words)
    return HttpResponseRedirect(_page_of(sheet.instrument.asset_tag))


def _page_of(tag: str) -> str:
    return reverse("bench", query={"tag": tag})


def _act(
    request: HttpRequest, sheet: BenchSheet, *, name: str, form: ShopForm, run: Callable[..., Any], words: Callable[[Any], str]
) -> HttpResponseBase:
    """Run one of the bench's acts with its form: done and shown anew, or refused in the form with all that was typed."""
    if form.is_valid():
        data = form.cleaned_data
        try:
            made = run(data, acting_user=request.user, now=clock.now())
        except REFUSALS as error:
            form.add_error(None, str(error))
        else:
            request.session["bench_location"] = data["location"].pk
            return _done(request, sheet, words(made))
    return _show(request, sheet.instrument.asset_tag, sheet, status=422, **{name: form})


@require_POST
@requires("instruments.move")
@stands_on(_page_of)
def bench_take_in(request: HttpRequest, tag: str) -> HttpResponseBase:
    """Take in to the shop, with what is wrong and perhaps a loaner out."""
    sheet = _sheet_or_404(tag, for_intake=True)

    def run(data: dict[str, Any], **who: Any) -> operations.TakenIn:
        return operations.take_in(
            instrument=sheet.instrument,
            problem=data["problem"],
            location=data["location"],
            loaner_tag=data.get("loaner", ""),
            problem_kind=data["problem_kind"],
            again_for=data["again_for"],
            promised_on=data["promised_on"],
            intake=data["intake"],
            **who,
        )

    def words(made: operations.TakenIn) -> str:
        _keep_pictures(request, made.order, form.cleaned_data["pictures"])
        lent = f" {made.loaner.asset_tag} is out as a loaner." if made.loaner else ""
        return f"{sheet.instrument.asset_tag} is in the shop.{lent}"

    form = TakeInForm(request.POST, request.FILES, sheet=sheet, auto_id="in_%s")
    return _act(request, sheet, name="take_in", form=form, run=run, words=words)


def _keep_pictures(request: HttpRequest, order: WorkOrder, pictures: list[Any]) -> None:
    """Keep the pictures of an intake; of each that cannot be kept a sentence. The intake stands either way."""
    for upload in pictures:
        try:
            photos.add_photo(
                instrument=order.instrument,
                upload=upload,
                caption="When it came in",
                work_order=order,
                acting_user=acting_user(request),
                now=clock.now(),
            )
        except (photos.PictureRefusedError, photos.TooManyPhotosError, RowsBusyError) as error:
            messages.warning(request, f"{str(upload.name)[:60]}: {error}")


@require_POST
@requires("instruments.move")
@stands_on(_page_of)
def bench_go_out(request: HttpRequest, tag: str) -> HttpResponseBase:
    """Out of the shop: back to the family that rents it (`to=family`), or to the shelf."""
    sheet = _sheet_or_404(tag)
    to_family = request.POST.get("to") == "family"

    def run(data: dict[str, Any], **who: Any) -> Any:
        facts = {"instrument": sheet.instrument, "work_done": data["work_done"], "location": data["location"], **who}
        facts["grade"] = data["grade"]
        if to_family:
            return operations.hand_back(loaner_is_back=data.get("loaner_is_back", False), **facts)
        return operations.put_on_shelf(**facts)

    def words(_: Any) -> str:
        return f"{sheet.instrument.asset_tag} is {'back with the family' if to_family else 'on the shelf'}."

    return _act(request, sheet, name="go_out", form=GoOutForm(request.POST, sheet=sheet, auto_id="out_%s"), run=run, words=words)


@require_POST
@requires("instruments.move")
@stands_on(_page_of)
def bench_loaner_back(request: HttpRequest, tag: str) -> HttpResponseBase:
    """A loaner comes back from a family to the shelf."""
    sheet = _sheet_or_404(tag)

    def run(data: dict[str, Any], **who: Any) -> Any:
        return operations.take_loaner_back(instrument=sheet.instrument, location=data["location"], **who)

    def words(_: Any) -> str:
        return f"The loaner {sheet.instrument.asset_tag} is back on the shelf."

    return _act(request, sheet, name="shop", form=ShopForm(request.POST, auto_id="shop_%s"), run=run, words=words)


@require_POST
@requires("instruments.move")
def bench_cleaned(request: HttpRequest, tag: str) -> HttpResponseBase:
    """Note the annual cleaning as done today."""
    sheet = _sheet_or_404(tag)
    today = clock.today()
    fleet.record_cleaning(instrument=sheet.instrument, cleaned_on=today, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
    return _done(request, sheet, f"{sheet.instrument.asset_tag} is noted as cleaned on {day(today)}.")
