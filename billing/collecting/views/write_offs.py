"""Debts to write off: a list with ticks, what is ticked with its sum, and the act."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.collecting import call_list, debts, writing_off
from billing.collecting.debts import Debt
from billing.collecting.forms import WriteOffManyForm
from billing.collecting.writing_off import Outcome, Seen
from billing.views.common import BOOKS, amount_of, person
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import requires
from schools import queries as schools

PAGE_SIZE = 50
DAYS = (30, 60, 90, 120, 180, 365)
SORTS: dict[str, Any] = {
    "since": lambda debt: debt.since,
    "name": lambda debt: debt.name.casefold(),
    "amount": lambda debt: debt.amount,
}


@dataclass(frozen=True)
class Wanted:
    """What the address asks for. Anything it does not understand counts as not asked."""

    days: int = 0
    least: Decimal = ZERO
    school: int = 0
    only_over: bool = False
    text: str = ""
    sort: str = "since"

    @classmethod
    def from_query(cls, query: dict[str, str]) -> "Wanted":
        """Read the address's parameters."""
        days, school, sort = query.get("days", ""), query.get("school", ""), query.get("sort", "")
        return cls(
            days=int(days) if days in {str(each) for each in DAYS} else 0,
            least=amount_of(query.get("least", "")),
            school=int(school) if school.isascii() and school.isdigit() and len(school) < 10 else 0,
            only_over=query.get("steps") == "over",
            text=query.get("text", "").strip()[:60],
            sort=sort if sort.removeprefix("-") in SORTS else "since",
        )

    @property
    def is_narrowed(self) -> bool:
        """Whether some rows are left out."""
        return bool(self.days or self.least or self.school or self.only_over or self.text)

    def lets_pass(self, debt: Debt, days_late: int) -> bool:
        """Whether a debt is asked for, its family's school aside."""
        words = self.text.casefold()
        return (
            days_late >= self.days
            and debt.amount >= self.least
            and (not self.only_over or bool(debt.step_count and debt.steps_taken >= debt.step_count))
            and (words in debt.name.casefold() or words in debt.number.casefold())
        )


@requires("debts.write_off")
@never_cache
def write_off_queue(request: HttpRequest) -> HttpResponseBase:
    """List what may be written off; by POST show what is ticked with its sum, then write it off."""
    today, form = clock.today(), WriteOffManyForm(request.POST or None)
    found = debts.list_debts(today=today)
    if request.method != "POST":
        return _list(request, found, form, ())
    ticked = tuple(dict.fromkeys(request.POST.getlist("debts")))
    if not form.is_valid() or "change" in request.POST:
        return _list(request, found, form, ticked)
    chosen = [debt for debt in found.rows if debt.code in ticked]
    if "write_off" in request.POST and form.seen(ticked) is not None:
        return _write_off(request, form, form.seen(ticked) or ())
    if not chosen:
        form.add_error(None, "Nothing of what was ticked may be written off any more. Look at the list as it is now.")
        return _list(request, found, form, ())
    context = {
        "form": form,
        "chosen": chosen,
        "gone": len(ticked) - len(chosen),
        "total": sum((debt.amount for debt in chosen), ZERO),
        "lost": sum(1 for debt in chosen if debt.agreement_id and not debt.end_reason),
        "back": {"label": "Debts to write off", "url": _address(request)},
    }
    return render(request, "billing/collecting/write_offs_check.html", context)


@requires("debts.write_off")
@require_POST
def write_off_sum(request: HttpRequest) -> HttpResponseBase:
    """Say while one ticks how many are ticked, and their sum."""
    ticked = set(request.POST.getlist("debts"))
    chosen = [debt for debt in debts.list_debts(today=clock.today()).rows if debt.code in ticked]
    return render(request, "billing/collecting/write_offs_sum.html", _sum(chosen))


def _sum(chosen: Sequence[Debt]) -> dict[str, Any]:
    return {"count": len(chosen), "total": sum((debt.amount for debt in chosen), ZERO)}


def _list(request: HttpRequest, found: debts.Debts, form: WriteOffManyForm, ticked: tuple[str, ...]) -> HttpResponseBase:
    """Show the list with the ticks it was sent with; those of other pages go along unseen."""
    wanted, today = Wanted.from_query(request.GET.dict()), clock.today()
    rows = [debt for debt in found.rows if wanted.lets_pass(debt, debt.days_late(today))]
    if wanted.school:
        at_school = debts.list_in_school({debt.household_id for debt in rows}, wanted.school)
        rows = [debt for debt in rows if debt.household_id in at_school]
    rows.sort(key=SORTS[wanted.sort.lstrip("-")], reverse=wanted.sort.startswith("-"))
    page = Paginator(rows, PAGE_SIZE).get_page(request.GET.get("page"))
    last = call_list.list_last_notes({debt.household_id for debt in page})
    here = {debt.code for debt in page}
    context = {
        "form": form,
        "wanted": wanted,
        "page": page,
        "all_open": sum((debt.amount for debt in rows), ZERO),
        "rows": [(debt, debt.days_late(today), last.get(debt.household_id), debt.code in ticked) for debt in page],
        "elsewhere": [debt.code for debt in found.rows if debt.code in ticked and debt.code not in here],
        "paused": found.paused,
        "days": DAYS,
        "schools": schools.list_school_names(),
        "back": BOOKS,
        **_sum([debt for debt in found.rows if debt.code in ticked]),
    }
    return render(request, "billing/collecting/write_offs.html", context, status=422 if form.errors else 200)


def _write_off(request: HttpRequest, form: WriteOffManyForm, seen: Sequence[Seen]) -> HttpResponseBase:
    key: uuid.UUID = form.cleaned_data["request_key"]
    outcome = writing_off.write_off_many(
        seen=seen, reason=form.cleaned_data["reason"], acting_user=person(request), now=clock.now(), request_key=key
    )
    _tell(request, outcome)
    return redirect(_address(request))


def _tell(request: HttpRequest, outcome: Outcome) -> None:
    count = len(outcome.notes)
    if count:
        numbers = outcome.notes[0].number if count == 1 else f"{outcome.notes[0].number} and {count - 1} more"
        what = "1 debt is" if count == 1 else f"{count} debts are"
        messages.success(request, f"{what} written off, {written(outcome.amount)} together: credit note {numbers}.")
    for each in outcome.left:
        messages.warning(request, f"Left as it was: {each.whose}. {each.why}")


def _address(request: HttpRequest) -> str:
    query = request.GET.urlencode()
    return reverse("write_off_queue") + (f"?{query}" if query else "")
