"""The lines to match: the list with its proposals, one line by hand, the certain ones together, undoing."""

from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ObjectDoesNotExist
from django.core.paginator import Paginator
from django.db.models import DateField, Exists, ExpressionWrapper, OuterRef
from django.db.models.functions import TruncMonth
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST
from django_htmx.http import HttpResponseClientRedirect

from billing import ledger
from billing.banking import at_work, matching, operations, proposals, queries, rules
from billing.banking.forms import PartRows, ReturnedForm
from billing.banking.outstanding import Outstanding, list_outstanding
from billing.banking.views.common import BANK, MEANWHILE, REFUSALS
from billing.models import Allocation, BankAccount, BankLine, BankMatch, ClosedMonth, MatchingRun, Payment, Purchase
from billing.views.common import BOOKS, person
from rentals.families.queries.search import search_households
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import requires

PAGE = 50
KEYS = [
    {"key": "↑ ↓ or k j", "does": "line before, next line"},
    {"key": "Enter", "does": "match with the first proposal"},
    {"key": "2 3 4", "does": "match with another proposal"},
    {"key": "s", "does": "search for a family or an entry"},
    {"key": "o", "does": "put it together by hand, split it"},
    {"key": "h", "does": "hold it: not known yet"},
    {"key": "f", "does": "bank fee"},
    {"key": "x", "does": "leave it out"},
    {"key": "u", "does": "undo, on a line to match: what was done before"},
    {"key": "?", "does": "this list"},
]


@requires("bank.match")
@never_cache
def bank(request: HttpRequest) -> HttpResponseBase:
    """List the bank's lines of one state; those to match with what each most likely is."""
    state = request.GET.get("state", "open")
    state = state if state in queries.STATES else "open"
    accounts = list(BankAccount.objects.order_by("name"))
    account = _chosen_account(accounts, request.GET.get("account", ""))
    of_account = f"&account={account.pk}" if account else ""
    done, said = _just_done(request.GET.get("done", ""))
    counts = queries.count_states(account)
    pages = Paginator(queries.list_lines(state, account), PAGE)
    pages.count = counts[state]  # counted already
    page = pages.get_page(request.GET.get("page"))
    lines = list(page)
    proposed = proposals.propose(lines, today=clock.today()) if state == "open" else {}
    told = queries.describe_matches(lines) if state in {"held", "matched", "by-itself"} else {}
    tabs = [
        {"label": label, "url": f"?state={key}{of_account}", "current": key == state, "count": counts[key]}
        for key, label in queries.STATES.items()
    ]
    others = at_work.list_others([line.pk for line in lines], person(request))
    context = {
        "state": state,
        "page": page,
        "rows": [
            {
                "line": x,
                "proposals": proposed.get(x.pk, []),
                "parts": told.get(x.pk, []),
                "at_work": others.get(x.pk, ""),
                "account": x.account if len(accounts) > 1 else None,
                "keep": _keep(request),
            }
            for x in lines
        ],
        "accounts": accounts if len(accounts) > 1 else [],
        "account": account,
        "run": MatchingRun.objects.filter(finished_at=None).first(),
        "tabs": tabs,
        "total": counts["open"] + counts["matched"] + counts["left-out"],
        "sure": sum(1 for some in proposed.values() if some[0].is_certain),
        "done": said,
        "focus": _next_line(lines, done, request.GET.get("at", "")),
        "when_done": f"?state=open{of_account}&done=" if state == "open" else "",
        "keys": KEYS,
        "back": BOOKS,
    }
    return render(request, "billing/bank/lines.html", context)


def _chosen_account(accounts: Sequence[BankAccount], key: str) -> BankAccount | None:
    """Return the account that the address names; None for all of them, and for one that is not there."""
    return next((each for each in accounts if str(each.pk) == key), None)


def _just_done(key: str) -> tuple[BankLine | None, dict[str, str] | None]:
    """The line that was matched a moment ago, and that with the way to undo it; None when it was undone since."""
    line = BankLine.objects.filter(pk=key).first() if key.isdecimal() else None
    told = queries.describe_matches([line]).get(line.pk) if line else None
    if line is None or not told:
        return line, None
    text = f"{written(line.amount)} is matched: {'; '.join(part.title for part in told)}."
    return line, {"text": text, "url": reverse("bank_undo", args=[line.pk])}


def _next_line(lines: Sequence[BankLine], done: BankLine | None, at: str) -> int | None:
    """Return which line takes the focus: the one asked for, else the next after what was done. None where nothing was."""
    here = next((line.pk for line in lines if str(line.pk) == at), None)
    if here is not None or done is None:
        return here
    after = (line.pk for line in lines if (line.posted_on, line.pk) > (done.posted_on, done.pk))
    return next(after, lines[0].pk if lines else None)


def _keep(request: HttpRequest) -> str:
    """Return what an address carries on of the queue it was come to from: the account it shows, "" for all."""
    account = request.GET.get("account", "")
    return f"?account={account}" if account.isdecimal() else ""


def _queue(request: HttpRequest, **more: object) -> str:
    """Return the address of the queue as it was left."""
    return f"{reverse('bank')}{_keep(request) or '?'}&{urlencode(more)}".replace("?&", "?")


@requires("bank.match")
@require_POST
def accept(request: HttpRequest, line_id: int) -> HttpResponseBase:
    """Match a line as it was proposed."""
    line = get_object_or_404(BankLine.objects.select_related("account"), pk=line_id)
    choice = request.POST.get("choice", "")
    try:
        if choice.startswith(("split:", "between:")):
            return _accept_together(request, line, choice)
        parts = proposals.parts_of(choice, line)
        matching.match_line(line=line, parts=parts, how=BankMatch.How.PROPOSED, acting_user=person(request), now=clock.now())
    except (ValueError, ObjectDoesNotExist):
        return _answer(request, line, "This proposal is not known here. Load the page again.")
    except REFUSALS as refused:
        return _answer(request, line, str(refused))
    return _answer(request, line, "")


def _accept_together(request: HttpRequest, line: BankLine, choice: str) -> HttpResponseBase:
    """Match all the lines that the bank made of a deposit, or both of a transfer. The page is loaded anew: more rows change."""
    what, _, rest = choice.partition(":")
    keys = [int(key) for key in rest.split(",")]
    act: dict[str, Any] = {"how": BankMatch.How.PROPOSED, "acting_user": person(request), "now": clock.now()}
    others = list(BankLine.objects.filter(pk__in=keys if what == "between" else keys[1:]).select_related("account"))
    if what == "split":
        matching.match_split(lines=[line, *others], entry_id=keys[0], **act)
    elif len(others) == 1:
        matching.match_between(line=line, other=others[0], **act)
    else:
        raise ValueError(choice)
    back = _queue(request, done=line.pk)
    return HttpResponseClientRedirect(back) if getattr(request, "htmx", False) else redirect(back)


@requires("bank.match")
@never_cache
def progress(request: HttpRequest, round_id: int) -> HttpResponseBase:
    """The part of the list that tells how far the matching by itself is."""
    run = get_object_or_404(MatchingRun, pk=round_id)
    return render(request, "billing/bank/progress.html", {"run": run})


@requires("bank.match")
@require_POST
def undo(request: HttpRequest, line_id: int) -> HttpResponseBase:
    """Undo the match of a line: it waits again as it did before."""
    line = get_object_or_404(BankLine.objects.select_related("account"), pk=line_id)
    try:
        matching.undo_match(line=line, acting_user=person(request), now=clock.now())
    except REFUSALS as refused:
        return _answer(request, line, str(refused))
    return _answer(request, line, "")


@requires("bank.match")
@require_POST
def leave_out(request: HttpRequest, line_id: int) -> HttpResponseBase:
    """Leave a line out, or take it up again."""
    line = get_object_or_404(BankLine.objects.select_related("account"), pk=line_id)
    act = operations.take_up if "take_up" in request.POST else operations.leave_out
    try:
        line = act(line=line, acting_user=person(request), now=clock.now())
    except REFUSALS as refused:
        return _answer(request, line, str(refused))
    return _answer(request, line, "")


def _answer(request: HttpRequest, line: BankLine, refusal: str) -> HttpResponseBase:
    """Answer a quick act with the row as it is now; without htmx, with the page one came from and a message."""
    told = queries.describe_matches([line]).get(line.pk, [])
    if getattr(request, "htmx", False):
        is_open = not told and line.left_out_at is None
        proposed = proposals.propose([line], today=clock.today())[line.pk] if is_open else []
        row = {"line": line, "proposals": proposed, "parts": told}
        row["account"] = line.account if BankAccount.objects.count() > 1 else None
        context = {"row": row | {"keep": _keep(request)}, "refusal": refusal, "acted": True}
        return render(request, "billing/bank/line_row.html", context, status=409 if refusal else 200)
    if refusal:
        messages.error(request, refusal)
    elif told:
        return redirect(_queue(request, done=line.pk))
    elif line.left_out_at:
        messages.success(request, f"{written(line.amount)} is left out. It stands under “Left out” and can be taken up again.")
    else:
        messages.success(request, f"{written(line.amount)} waits to be matched again.")
    return redirect(_queue(request, at=line.pk))


@requires("bank.match")
@never_cache
def bank_line(request: HttpRequest, line_id: int) -> HttpResponseBase:
    """Show one line: what it is matched with, or all it may be, and a form to put it together by hand."""
    month = TruncMonth(ExpressionWrapper(OuterRef("posted_on"), output_field=DateField()))
    closed = ClosedMonth.objects.filter(first_day__gte=month)
    lines: Any = BankLine.objects.select_related("account", "statement").annotate(is_of_closed_month=Exists(closed))
    line = get_object_or_404(lines, pk=line_id)
    told = queries.describe_matches([line]).get(line.pk, [])
    held = bool(told) and queries.list_lines("held").filter(pk=line.pk).exists()
    rows = PartRows(request.POST if request.method == "POST" else None, line=line)
    refusal, status = "", 200
    if request.method == "POST" and "more" not in request.POST and rows.is_valid():
        try:
            _match_by_hand(request, line, rows.parts(), held=held)
        except REFUSALS as refused:
            refusal, status = str(refused), 409 if isinstance(refused, MEANWHILE) else 422
        else:
            return _answer(request, line, "")
    if any(form.errors for form in rows.forms):
        status = 422
    others = at_work.list_others([line.pk], person(request))
    context = {"line": line, "parts": told, "held": held, "rows": rows, "refusal": refusal, "keys": KEYS}
    context["dated"] = _dated(line) if line.is_of_closed_month and not told else ""
    context |= {"back": {"label": BANK["label"], "url": _queue(request, at=line.pk)}, "keep": _keep(request)}
    context |= {"at_work": others.get(line.pk, ""), "find": request.method == "GET" and "find" in request.GET}
    if (not told or held) and line.left_out_at is None:
        at_work.begin(line.pk, person(request))
        context |= _by_hand(request, line, rows)
    return render(request, "billing/bank/line.html", context, status=status)


def _dated(line: BankLine) -> str:
    """Say on which day what is made from a line of a closed month is posted."""
    day = ledger.open_day(line.posted_on)
    return f"What is made from this line is posted on {written_day(day)}, the first day that is open. The line keeps its own day."


def _bought_with(payment: Payment) -> str:
    """Say that an instrument was bought with credit that this payment built up; "" where none was."""
    paid = Allocation.objects.filter(payment=payment, released_at=None).values("line__charge__agreement")
    sold = Purchase.objects.filter(agreement__in=paid).select_related("agreement", "instrument").first()
    if sold is None:
        return ""
    return (
        f"{sold.instrument.asset_tag} was sold on {written_day(sold.bought_on)} ({sold.agreement.number}), and rental credit "
        "that this payment built up was counted. The sale stands. What is unpaid is owed again, and until it is paid the sale is "
        "listed under “Credit that proved unpaid”."
    )


def _match_by_hand(request: HttpRequest, line: BankLine, parts: list[matching.Part], *, held: bool) -> None:
    """Match a line as it was put together; one that was held is cleared in the same act."""
    who, now = person(request), clock.now()
    if held:
        matching.clear_held(line=line, parts=parts, acting_user=who, now=now)
    else:
        matching.match_line(line=line, parts=parts, how=BankMatch.How.HAND, acting_user=who, now=now)
    at_work.end(line.pk)


def _by_hand(request: HttpRequest, line: BankLine, rows: PartRows) -> dict[str, Any]:
    """What a line may be put together from: what waits in the books, narrowed by words, and families found by them."""
    words = request.GET.get("q", "").strip()
    waiting = list_outstanding(books=[line.account.books_id], through_on=line.posted_on + rules.AFTER)
    ticked = [item for item in waiting if item.entry_id in set(rows.ticked)]
    shown = [item for item in waiting if _has(item, words)] if words else _near(line, waiting)
    chosen = sum((item.amount for item in ticked), ZERO) + (rows.sum_typed() if rows.forms[0].is_bound else ZERO)
    return {
        "proposals": proposals.propose([line], today=clock.today(), outstanding=waiting)[line.pk],
        "waiting": [(item, item in ticked) for item in [*ticked, *(x for x in shown if x not in ticked)][:40]],
        "families": search_households(words, limit=6) if words else [],
        "words": words,
        "chosen": chosen,
        "missing": line.amount - chosen,
    }


def _has(item: Outstanding, words: str) -> bool:
    text = f"{item.title} {item.memo} {item.amount}".casefold()
    return all(word in text for word in words.casefold().split())


def _near(line: BankLine, waiting: list[Outstanding]) -> list[Outstanding]:
    """Those of the line's side that are nearest in time."""
    same_side = [item for item in waiting if item.amount * line.amount > 0]
    return sorted(same_side, key=lambda item: (abs((item.on - line.posted_on).days), item.entry_id))[:20]


@requires("bank.match")
@require_POST
def line_sum(request: HttpRequest, line_id: int) -> HttpResponseBase:
    """Say while one types what is chosen so far and what is missing, to the cent."""
    line = get_object_or_404(BankLine.objects.select_related("account"), pk=line_id)
    rows = PartRows(request.POST, line=line)
    items = list_outstanding(books=[line.account.books_id], entry_ids=rows.ticked) if rows.ticked else []
    chosen = sum((item.amount for item in items), ZERO) + rows.sum_typed()
    context = {"line": line, "chosen": chosen, "missing": line.amount - chosen}
    return render(request, "billing/bank/line_sum.html", context)


@requires("bank.match")
@never_cache
def certain(request: HttpRequest) -> HttpResponseBase:
    """List the lines whose match is certain, and match those that stay ticked."""
    lines = list(queries.list_lines("open")[:400])
    proposed = proposals.propose(lines, today=clock.today())
    sure = [(line, proposed[line.pk][0]) for line in lines if proposed[line.pk][0].is_certain]
    if request.method == "POST":
        ticked = set(request.POST.getlist("match"))
        done, refused = 0, []
        for line, proposal in sure:
            if f"{line.pk}:{proposal.choice}" not in ticked:
                continue
            try:
                matching.match_line(
                    line=line,
                    parts=proposals.parts_of(proposal.choice, line),
                    how=BankMatch.How.PROPOSED,
                    acting_user=person(request),
                    now=clock.now(),
                )
                done += 1
            except REFUSALS as why:
                refused.append(f"{written(line.amount)}: {why}")
        lost = len(ticked) - done - len(refused)
        if done:
            messages.success(request, f"{done} line{'' if done == 1 else 's'} matched. Each can be undone under “Matched”.")
        if lost:
            messages.warning(request, f"{lost} of those ticked are not certain any more; they are still on the list.")
        for sentence in refused:
            messages.error(request, sentence)
        return redirect("bank")
    several = len({line.account_id for line in lines}) > 1
    context = {"sure": sure, "total": sum((line.amount for line, _p in sure), ZERO), "several": several, "back": BANK}
    return render(request, "billing/bank/certain.html", context)


@requires("bank.match")
@never_cache
def returned(request: HttpRequest, line_id: int, payment_id: int) -> HttpResponseBase:
    """Ask why the bank sent a payment back, say what will be owed again; take it back and match the line."""
    line = get_object_or_404(BankLine.objects.select_related("account"), pk=line_id)
    payment = get_object_or_404(Payment.objects.select_related("household", "deposit"), pk=payment_id)
    text = f"{line.name} {line.memo}"
    form = ReturnedForm(request.POST or None, initial={"reason": rules.reason_of_return(text)})
    if request.method == "POST" and form.is_valid():
        reason = form.cleaned_data["reason"]
        try:
            matching.match_returned(line=line, payment=payment, reason=reason, acting_user=person(request), now=clock.now())
        except REFUSALS as refused:
            form.add_error(None, str(refused))
        else:
            family = payment.household
            messages.success(request, f"{payment.number} is returned: {family.name} owes {written(payment.amount)} again.")
            return redirect(_queue(request, done=line.pk))
    back = {"label": "The bank’s line", "url": reverse("bank_line", args=[line.pk])}
    context = {"form": form, "line": line, "payment": payment, "back": back, "title": f"{payment.number} came back"}
    context |= {
        "bought": _bought_with(payment),
        "shortfalls": {"label": "See what is unpaid", "url": reverse("credit_shortfalls")},
    }
    return render(request, "billing/bank/returned.html", context, status=422 if form.errors else 200)
