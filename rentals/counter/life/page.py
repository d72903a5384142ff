"""What an agreement's page shows beside what was signed: what it bills from when, what comes next, its holds, its timeline."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.db.models import Max, Sum

from billing.models import Allocation, Charge
from rentals.agreements import life, periods
from rentals.agreements.models import Agreement, AgreementHold, AgreementUnit, LifeEvent, PeriodTerms
from rentals.agreements.periods import PeriodToBill, Segment
from rentals.counter.life import panel
from rentals.documents.models import Document
from rentals.runtime.templatetags.office import money
from rentals.staff.models import User

COMING = 3
"""So many periods ahead are shown."""


@dataclass(frozen=True)
class TermsLine:
    """What is billed from a day on: for one period of `months`, before tax. `word` says whether it holds now."""

    from_on: date
    why: str
    months: int
    rent: Decimal
    protection: Decimal
    word: str
    tone: str


def first_free_period(agreement: Agreement, segments: tuple[Segment, ...], today: date) -> int:
    """Return the first period that is neither billed nor begun before today: terms may change from there on.

    What costs nothing is never billed, so its terms stand from the day it begins.
    """
    last = Charge.objects.filter(agreement=agreement, kind=Charge.Kind.RENT).aggregate(last=Max("period"))["last"]
    begun = periods.periods_begun(segments, today)
    ahead = len(begun)
    newest = periods.period_at(segments, begun[-1]) if begun else None
    if newest is not None and newest.begins_on == today and newest.total > 0:
        ahead -= 1
    return max(ahead, 0 if last is None else last + 1)


def list_terms(segments: tuple[Segment, ...], today: date, *, is_open: bool) -> list[TermsLine]:
    """List what is billed from when, in order, and which of it holds today."""
    now = max((each.begins_on for each in segments if each.begins_on <= today), default=None)
    lines = []
    for each in segments:
        word, tone = ("In force", "good") if each.begins_on == now and is_open else ("Until then", "quiet")
        if each.begins_on > today:
            word, tone = ("To come", "info") if is_open else ("Never came", "quiet")
        why = str(PeriodTerms.Reason(each.reason).label)
        lines.append(TermsLine(each.begins_on, why, each.months, each.rent, each.protection, word, tone))
    return lines


def list_coming(agreement: Agreement, segments: tuple[Segment, ...], today: date) -> list[PeriodToBill]:
    """List the next periods to be billed, the first of them not billed yet."""
    first = first_free_period(agreement, segments, today)
    return [periods.period_at(segments, n) for n in range(first, first + COMING)]


def list_holds(agreement: Agreement) -> list[AgreementHold]:
    """List the holds and recalls of an agreement, newest first."""
    rows = AgreementHold.objects.filter(agreement=agreement).select_related("made_by", "lifted_by")
    return list(rows.order_by("-from_on", "-pk"))


def list_events(agreement: Agreement, units: list[AgreementUnit], papers: list[Document]) -> list[dict[str, Any]]:
    """Put everything that happened in order, newest first: the timeline, instruments, papers, payments."""
    lines = list(LifeEvent.objects.filter(agreement=agreement).select_related("by").order_by("pk"))
    events: list[dict[str, Any]] = [
        {"at": each.at, "text": each.get_kind_display(), "note": each.note, "who": each.by.name} for each in lines
    ]
    if not any(each.kind == LifeEvent.Kind.SIGNED for each in lines):  # signed before there was a timeline
        events.append({"at": agreement.signed_at, "text": "Signed", "who": agreement.signed_by.name})
    for unit in units:
        words = f"{unit.get_role_display()}: {unit.instrument.asset_tag}"
        events.append({"at": unit.began_at, "text": f"{words} given out"})
        if unit.ended_at:
            events.append({"at": unit.ended_at, "text": f"{words} off the agreement"})
    events += [{"at": paper.made_at, "text": f"{paper.title} archived"} for paper in papers if paper.made_at]
    # Turned round as a whole: of one moment, what was written down later stands above.
    return sorted(events + _payments(agreement), key=lambda event: event["at"])[::-1]


def _payments(agreement: Agreement) -> list[dict[str, Any]]:
    paid = Allocation.objects.filter(line__charge__agreement=agreement, released_at=None, payment__isnull=False)
    sums = (
        paid.order_by()
        .values("payment_id", "payment__number", "payment__taken_at", "payment__taken_by__name")
        .annotate(sum=Sum("amount"))
    )
    return [
        {
            "at": each["payment__taken_at"],
            "text": f"{money(each['sum'])} paid toward it",
            "note": each["payment__number"],
            "who": each["payment__taken_by__name"],
        }
        for each in sums
    ]


def get_standing(agreement: Agreement, user: User, today: date) -> dict[str, Any]:
    """Return how it stands: its state, what can be done, its terms, what comes next, its holds and the one that is open."""
    segments = life.list_segments(agreement)
    holds = list_holds(agreement)
    open_hold = next((each for each in holds if each.until_on is None), None) if agreement.is_open else None
    state = life.state_under(agreement, open_hold)
    coming = list_coming(agreement, segments, today) if agreement.is_open and segments else []
    return {
        "status": panel.status_of(state),
        "groups": panel.list_acts(agreement, state=state, segments=segments, user=user, today=today),
        "terms": list_terms(segments, today, is_open=agreement.is_open),
        "coming": coming,
        "holds": holds,
        "open_hold": open_hold,
    }
