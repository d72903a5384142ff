"""The allotment of a night: proposed, followed, changed by hand, held against the shelf."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from rentals.counter.nights.planning.allotment_forms import LineForm, QuantitiesForm, SettingsForm, settings_of
from rentals.counter.nights.planning.history import count_history
from rentals.counter.nights.planning.views import night_or_404
from rentals.counter.nights.planning.workings import Row, explain, how_chances_go
from rentals.inventory.forms import show_version
from rentals.runtime import clock
from rentals.staff.policy import acting_user, may, require, requires
from schools import nights_allotment as operations
from schools.models import Allotment, Night
from schools.nights import NightOverError
from schools.nights_stock import get_stock

REFUSED = (operations.AllotmentChangedError, operations.AllotmentPackedError, NightOverError)


@requires("nights.view")
@require_http_methods(["GET", "HEAD", "POST"])
def night_allotment(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Show what a night takes along and how the numbers came about; propose it, change it, add a line."""
    night = night_or_404(night_id)
    allotment = Allotment.objects.filter(night=night).select_related("proposed_by", "packed_by").first()
    page = _Page(night, allotment)
    if request.method == "POST":
        require(request.user, "nights.plan")
        act = {"propose": _propose, "change": _change, "add": _add}.get(request.POST.get("act", ""), _change)
        said = act(request, page)
        if said:
            messages.success(request, said)
            return redirect("night_allotment", night_id)
    may_change = may(request.user, "nights.plan") and not night.is_over and not (allotment and allotment.packed_at)
    return render(request, "counter/nights/allotment.html", page.context(may_change=may_change), status=page.status)


class _Page:
    """The page's forms; a refused one stands in it with what was typed."""

    def __init__(self, night: Night, allotment: Allotment | None) -> None:
        self.night, self.allotment, self.status = night, allotment, 200
        self.stock = get_stock(allotment) if allotment else None
        self.lines = [need.line for need in self.stock.needs] if self.stock else []
        version = {"version": allotment.version if allotment else 0}
        self.settings = SettingsForm(initial=settings_of(night, allotment), auto_id="go_by_%s")
        self.quantities = QuantitiesForm(lines=self.lines, initial=version, auto_id="many_%s")
        self.adding = LineForm(initial=version, auto_id="add_%s")
        self.wrong: Any = None

    def refuse(self, form: Any, status: int, error: Exception | None = None) -> str:
        """Keep a refused form; a stale one is told, and its next save is meant."""
        self.status, self.wrong = status, form
        if error is not None:
            form.add_error(None, str(error))
        if isinstance(error, operations.AllotmentChangedError):
            show_version(form, error.allotment.version if error.allotment else 0)
        return ""

    def context(self, *, may_change: bool) -> dict[str, Any]:
        """Give what the template shows."""
        allotment = self.allotment
        rows, how = [], ""
        figures = operations.list_figures(allotment) if allotment else []
        if allotment and self.stock:
            plan, by_kind = operations.plan_of(allotment, self.lines, figures), {each.kind_id: each for each in figures}
            rows = [Row(need, explain(need.line, allotment, plan, by_kind)) for need in self.stock.needs]
            how = how_chances_go(plan)
        return {
            "night": self.night,
            "allotment": allotment,
            "rows": [(row, self.quantities[f"line-{row.line.pk}"] if may_change else None) for row in rows],
            "short": self.stock.short if self.stock else [],
            "others": self.stock.others if self.stock else [],
            "totals": {name: sum(getattr(line, name) for line in self.lines) for name in ("whole", "proposed", "quantity")},
            "how": how,
            "figures": figures,
            "level": f"{allotment.level:.1%}" if allotment else "",
            "settings": self.settings,
            "quantities": self.quantities,
            "adding": self.adding,
            "wrong": self.wrong,
            "may_change": may_change,
            "is_stale": self.status == 409,
            "today": clock.today(),
            "back": {"label": str(self.night.school), "url": reverse("night", args=[self.night.pk])},
        }


def _propose(request: HttpRequest, page: _Page) -> str:
    page.settings = form = SettingsForm(request.POST, auto_id="go_by_%s")
    if not form.is_valid():
        return page.refuse(form, 422)
    today = clock.today()
    try:
        made = operations.propose_allotment(
            night=page.night,
            history=count_history(page.night, today),
            settings=form.settings(),
            version=form.cleaned_data["version"] or 0,
            acting_user=acting_user(request),
            now=clock.now(),
        )
    except REFUSED as error:
        return page.refuse(form, 409, error)
    lines = made.lines.count()
    if not lines:
        return "Nothing was counted yet, here or elsewhere: put the kinds on the list by hand."
    return f"Proposed: {lines} lines. What was changed by hand has kept its number."


def _change(request: HttpRequest, page: _Page) -> str:
    page.quantities = form = QuantitiesForm(request.POST, lines=page.lines, auto_id="many_%s")
    if not form.is_valid():
        return page.refuse(form, 422)
    if page.allotment is None:
        return page.refuse(form, 409, operations.AllotmentChangedError(None))
    try:
        operations.change_quantities(
            allotment=page.allotment,
            version=form.cleaned_data["version"] or 0,
            quantities=form.quantities(),
            acting_user=acting_user(request),
            now=clock.now(),
        )
    except REFUSED as error:
        return page.refuse(form, 409, error)
    return "The numbers are saved."


def _add(request: HttpRequest, page: _Page) -> str:
    page.adding = form = LineForm(request.POST, auto_id="add_%s")
    if not form.is_valid():
        return page.refuse(form, 422)
    if page.allotment is None:
        return page.refuse(form, 409, operations.AllotmentChangedError(None))
    names = ("kind", "size", "quantity")
    try:
        line = operations.add_line(
            allotment=page.allotment,
            version=form.cleaned_data["version"] or 0,
            acting_user=acting_user(request),
            now=clock.now(),
            **{name: form.cleaned_data[name] for name in names},
        )
    except operations.LineExistsError as error:
        form.add_error("kind", str(error))
        return page.refuse(form, 422)
    except REFUSED as error:
        return page.refuse(form, 409, error)
    return f"{line.kind.name} {line.size}".strip() + " is on the list."
