"""The series that new asset tags are taken from."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from rentals.inventory.models import TagSeries
from rentals.inventory.operations import tag_series as operations
from rentals.inventory.queries.deliveries import list_tag_series
from rentals.inventory.receiving_forms import TagSeriesForm
from rentals.inventory.receiving_rules import series_tag
from rentals.staff.policy import may, requires


@requires("instruments.view")
def tag_series(request: HttpRequest) -> HttpResponseBase:
    """List the series, each with the tag it gives next."""
    rows = [{"series": each, "next": series_tag(each.prefix, each.width, each.next_number)} for each in list_tag_series()]
    actions = [{"label": "Add a series", "url": reverse("tag_series_add"), "main": True}]
    shown = actions if may(request.user, "catalogue.edit") else []
    return render(request, "inventory/tag_series.html", {"rows": rows, "actions": shown})


@requires("catalogue.edit")
def tag_series_add(request: HttpRequest) -> HttpResponseBase:
    """Add a series for a kind that has none, or for the rest."""
    form = TagSeriesForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        given = {name: form.cleaned_data[name] for name in ("kind", "width", "next_number")}
        try:
            made = operations.add_tag_series(**given, prefix=form.cleaned_data["letters"], acting_user=request.user)  # type: ignore[arg-type]
        except operations.TagSeriesTakenError as error:
            form.add_error("letters", str(error))
        else:
            return _saved(request, made)
    return render(request, "inventory/tag_series_form.html", {"form": form, "series": None}, status=422 if form.errors else 200)


@requires("catalogue.edit")
def tag_series_change(request: HttpRequest, series_id: int) -> HttpResponseBase:
    """Change how the tags of a series look and which number comes next."""
    series = get_object_or_404(TagSeries.objects.select_related("kind"), pk=series_id)
    initial: dict[str, Any] = {name: getattr(series, name) for name in ("width", "next_number", "version")}
    form = TagSeriesForm(
        request.POST or None, series=series, initial={**initial, "letters": series.prefix, "shown_next": series.next_number}
    )
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            given: dict[str, Any] = {
                name: form.cleaned_data[name] or 0 for name in ("version", "width", "next_number", "shown_next")
            }
            given |= {"prefix": form.cleaned_data["letters"], "acting_user": request.user}
            try:
                changed = operations.change_tag_series(series=series, **given)
            except operations.TagSeriesTakenError as error:
                form.add_error("letters", str(error))
            except operations.TagSeriesChangedError as error:
                series.refresh_from_db(fields=["version", "next_number"])
                form.add_error("next_number", f"{error} It is {series.next_number} now.")
                status = 409
                _take_what_is(form, series)
            else:
                return _saved(request, changed)
    return render(request, "inventory/tag_series_form.html", {"form": form, "series": series}, status=status)


def _take_what_is(form: TagSeriesForm, series: TagSeries) -> None:
    """Let the next save of the same form be measured against the series as it is now."""
    data: Any = form.data
    form.data = data = data.copy()
    data["version"], data["shown_next"] = str(series.version), str(series.next_number)


def _saved(request: HttpRequest, series: TagSeries) -> HttpResponseBase:
    messages.success(request, f"The next tag of this series is {series_tag(series.prefix, series.width, series.next_number)}.")
    return redirect("tag_series")
