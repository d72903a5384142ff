"""The checklist of the month that is closed next, closing it, and the closed months with what they were closed with."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse, reverse_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing import months
from billing.closing import checklist, operations
from billing.closing.forms import ReasonForm
from billing.closing.span import Month, read_month
from billing.models import ClosedMonth, ClosingFile, ClosingPackage, ClosingWaiver, MonthReopening
from billing.views.common import BOOKS, EXPECTED, person
from rentals.runtime import clock
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import requires

MONTHS = {"label": "Close a month", "url": reverse_lazy("months")}
REFUSED = (
    *EXPECTED,
    operations.ChecksOpenError,
    operations.ReasonMissingError,
    operations.CheckNotWaivableError,
    operations.WaiverGoneError,
    operations.NotTheLastMonthError,
    operations.OnlyAManagerReopensError,
)
WORDS = {"holds": ("Holds", "good"), "waived": ("Waived", "quiet"), "open": ("Look", "warn"), "forbids": ("Forbids it", "bad")}


def _line(line: checklist.Line, month: Month) -> dict[str, object]:
    word, tone = WORDS[line.state]
    query = f"?month={month.code}" if line.check.takes_month else ""
    mend = {"label": line.check.mend_label, "url": reverse(line.check.mend) + query}
    return {"line": line, "word": word, "tone": tone, "mend": mend, "may_be_waived": line.state == "open"}


@requires("months.close")
@never_cache
def months_page(request: HttpRequest) -> HttpResponseBase:
    """Show the month that is closed next with its checklist, and the closed ones."""
    following, today = months.next_to_close(), clock.today()
    month = Month(following) if following else None
    lines = checklist.list_lines(month, today=today) if month else []
    packages = ClosingPackage.objects.defer("checklist").select_related("closed_by").order_by("-first_day", "-number")
    context = {
        "month": month,
        "lines": [_line(line, month) for line in lines] if month else [],
        "may_close": bool(month) and all(line.is_settled for line in lines),
        "left": sum(not line.is_settled for line in lines),
        "closed": ClosedMonth.objects.select_related("closed_by").order_by("-first_day")[:24],
        "packages": packages[:24],
        "last": months.last_closed(),
        "reopenings": MonthReopening.objects.select_related("reopened_by").order_by("-reopened_at")[:12],
        "back": BOOKS,
    }
    return render(request, "billing/closing/months.html", context)


@requires("months.close")
@require_POST
def close_month(request: HttpRequest) -> HttpResponseBase:
    """Close the month that was shown."""
    month = read_month(request.POST.get("month"))
    if month is None:
        messages.error(request, "Say which month is to be closed.")
        return redirect("months")
    try:
        package = operations.close_month(month=month, acting_user=person(request), now=clock.now(), today=clock.today())
    except REFUSED as refused:
        messages.error(request, str(refused))
        return redirect("months")
    messages.success(request, f"{month} is closed.")
    return redirect("closing_package", package_id=package.pk)


@requires("months.close")
@require_POST
def waive(request: HttpRequest, check_code: str) -> HttpResponseBase:
    """Let a check of the next month pass, with the reason."""
    month = read_month(request.POST.get("month"))
    if month is None or month.first_day != months.next_to_close():
        messages.error(request, "That month is not the next one any more. Look at the checklist again.")
        return redirect("months")
    form = ReasonForm(request.POST)
    if not form.is_valid():
        messages.error(request, " ".join(str(each) for each in form.errors["reason"]))
        return redirect("months")
    reason = form.cleaned_data["reason"]
    try:
        operations.waive(month=month, code=check_code, reason=reason, acting_user=person(request), now=clock.now())
    except REFUSED as refused:
        messages.error(request, str(refused))
    return redirect("months")


@requires("months.close")
@require_POST
def withdraw_waiver(request: HttpRequest, waiver_id: int) -> HttpResponseBase:
    """Let a check count again."""
    waiver = get_object_or_404(ClosingWaiver, pk=waiver_id)
    try:
        operations.withdraw_waiver(waiver=waiver, acting_user=person(request), now=clock.now())
    except REFUSED as refused:
        messages.info(request, str(refused))
    return redirect("months")


@requires("books.view")
@never_cache
def package(request: HttpRequest, package_id: int) -> HttpResponseBase:
    """Show what a month was closed with."""
    found = get_object_or_404(ClosingPackage.objects.select_related("closed_by", "document"), pk=package_id)
    context = {
        "package": found,
        "checks": [(each, *WORDS.get(each["state"], ("Open", "quiet"))) for each in found.checklist],
        "files": found.files.defer("content").order_by("id"),
        "reopening": MonthReopening.objects.filter(first_day=found.first_day, closed_at=found.closed_at).first(),
        "back": MONTHS,
    }
    return render(request, "billing/closing/package.html", context)


@requires("books.view")
@limited("export", per_minute=EXPORTS)
def package_file(request: HttpRequest, file_id: int) -> HttpResponseBase:
    """Give a file of a package, the same bytes each time."""
    found = get_object_or_404(ClosingFile, pk=file_id)
    answer = HttpResponse(bytes(found.content), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{found.name}"'
    return answer


@requires("months.reopen")
@never_cache
def reopen(request: HttpRequest) -> HttpResponseBase:
    """Ask why the month that was closed last is opened again, and open it."""
    last = months.last_closed()
    form = ReasonForm(request.POST or None)
    if request.method == "POST" and last and form.is_valid():
        month = read_month(request.POST.get("month")) or Month(last)
        try:
            reason = form.cleaned_data["reason"]
            operations.reopen_month(month=month, reason=reason, acting_user=person(request), now=clock.now())
        except REFUSED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"{month} is open again. What it was closed with stays as it was.")
            return redirect("months")
    context = {"month": Month(last) if last else None, "form": form, "back": MONTHS}
    return render(request, "billing/closing/reopen.html", context, status=422 if form.errors else 200)
