"""A month's papers on one page: filtered by kind, opened one by one, or all as one PDF in their order."""

from typing import Any

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from rentals.documents import months, sheets
from rentals.documents.kinds import KINDS
from rentals.documents.models import Document, OutboxMessage
from rentals.documents.months import Month
from rentals.documents.outbox_views import TONES as MESSAGE_TONES
from rentals.documents.views import TONES, WORDS
from rentals.runtime import clock
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import acting_user, may, requires

State = OutboxMessage.State
FAMILIES, OFFICE = "families", "office"
GROUPS = {FAMILIES: "All that families get", OFFICE: "All of the office’s own"}


@requires("documents.view")
@never_cache
def month_papers(request: HttpRequest) -> HttpResponseBase:
    """List a month's papers, and offer them as one PDF, in parts of a hundred."""
    month, kind, papers = _asked(request)
    counts = months.count_papers(month=month, user=acting_user(request))
    made = papers.filter(state=Document.State.MADE).order_by().count()
    page = Paginator(papers, 50).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "rows": [_row(paper) for paper in page],
        "month": month,
        "kind": kind,
        "months": months.list_months(today=clock.today()),
        "kinds": _choices(request, counts),
        "parts": _parts(made, f"{reverse('month_papers_pdf')}?month={month.code}&kind={kind}"),
        "made": made,
        "not_made": page.paginator.count - made,
        "waits_to_print": any(
            message.state == OutboxMessage.State.TO_PRINT for paper in page for message in paper.messages.all()
        ),
        "back": {"label": "Outbox", "url": reverse("outbox")},
    }
    return render(request, "outbox/month.html", context)


@requires("documents.view")
@limited("export", per_minute=EXPORTS)
@never_cache
def month_papers_pdf(request: HttpRequest) -> HttpResponseBase:
    """Give a part of a month's papers as one PDF, of the archived bytes: what is not made yet is left out."""
    month, kind, papers = _asked(request)
    text = request.GET.get("part", "1")
    part = int(text) if text.isascii() and text.isdigit() and len(text) < 5 else 1
    try:
        content = months.join_papers(papers, part=max(part, 1))
    except Document.DoesNotExist:
        raise Http404 from None
    return sheets.pdf_answer(content, f"papers-{month.code}-{kind.replace('_', '-')}-{max(part, 1)}.pdf")


def _asked(request: HttpRequest) -> tuple[Month, str, QuerySet[Document]]:
    """Read month and kind from the address: this month and all that families get, where it says nothing that we know."""
    month = months.read_month(request.GET.get("month", ""), today=clock.today())
    kind = request.GET.get("kind", "")
    kind = kind if kind in KINDS or kind in GROUPS else FAMILIES
    codes = [kind] if kind in KINDS else [each.code for each in KINDS.values() if each.is_for_families == (kind == FAMILIES)]
    return month, kind, months.list_papers(month=month, kinds=codes, user=acting_user(request))


def _choices(request: HttpRequest, counts: dict[str, int]) -> list[tuple[str, str]]:
    """The kinds that this person may open, with how many of each the month has, behind the two groups of them."""
    shown = [kind for kind in KINDS.values() if may(request.user, kind.capability)]
    return [*GROUPS.items(), *((kind.code, f"{kind.name} ({counts.get(kind.code, 0)})") for kind in shown)]


def _parts(made: int, url: str) -> list[dict[str, Any]]:
    """Where each part of the one PDF is to be had, and which papers it holds."""
    begins = range(1, made + 1, months.MOST_IN_ONE)
    return [
        {"url": f"{url}&part={number}", "first": first, "last": min(first + months.MOST_IN_ONE - 1, made)}
        for number, first in enumerate(begins, 1)
    ]


def _row(paper: Any) -> dict[str, Any]:
    state = Document.State(paper.state)
    return {
        "paper": paper,
        "kind": KINDS[paper.kind].name,
        "is_made": state == Document.State.MADE,
        "status": {"word": WORDS[state], "tone": TONES[state]},
        "sent_in": [
            {"message": message, "tone": MESSAGE_TONES.get(State(message.state), "info")} for message in paper.messages.all()
        ],
    }
