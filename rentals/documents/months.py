"""A month's papers: what was made of every kind in a calendar month by the office's clock, to look at, file or print at once."""

import datetime
import re
from collections.abc import Collection
from dataclasses import dataclass

from dateutil.relativedelta import relativedelta
from django.db.models import Count, Min, Prefetch, QuerySet
from django.db.models.fields.json import KT
from django.db.models.functions import Coalesce
from django.utils import timezone

from rentals.documents import pdf, queries
from rentals.documents.kinds import KINDS
from rentals.documents.models import Document, OutboxMessage
from rentals.staff.models import User

MOST_IN_ONE = 100
"""So many papers are joined into one PDF while somebody waits for it, about a second's work; more come in parts."""
MOST_MONTHS = 60
WRITTEN = re.compile(r"(20\d\d)-(0[1-9]|1[0-2])", re.ASCII)


@dataclass(frozen=True)
class Month:
    """A calendar month by the office's clock, named by its first day."""

    first: datetime.date

    def __str__(self) -> str:
        return f"{self.first:%B} {self.first.year}"

    @property
    def code(self) -> str:
        """As the address writes it: "2026-10"."""
        return f"{self.first:%Y-%m}"

    @property
    def before(self) -> "Month":
        """The month before."""
        return Month(self.first - relativedelta(months=1))

    @property
    def span(self) -> tuple[datetime.datetime, datetime.datetime]:
        """Its first moment, and the first of the next month."""
        ends = self.first + relativedelta(months=1)
        begin, end = (timezone.make_aware(datetime.datetime.combine(day, datetime.time())) for day in (self.first, ends))
        return begin, end


def month_of(day: datetime.date) -> Month:
    """Return the month that a day is in."""
    return Month(day.replace(day=1))


def read_month(text: str, *, today: datetime.date) -> Month:
    """Read "2026-10" from an address; this month where it says none, or one that is still to come."""
    match = WRITTEN.fullmatch(text)
    here = month_of(today)
    return min(Month(datetime.date(int(match[1]), int(match[2]), 1)), here, key=lambda month: month.first) if match else here


def list_months(*, today: datetime.date) -> list[Month]:
    """List the months from this one back to that of the first paper, the newest first, 60 at most."""
    first = Document.objects.aggregate(first=Min("asked_at"))["first"]
    months = [month_of(today)]
    while first and months[-1].span[0] > first and len(months) < MOST_MONTHS:
        months.append(months[-1].before)
    return months


def list_papers(*, month: Month, kinds: Collection[str], user: User) -> QuerySet[Document]:
    """List the papers of these kinds in a month, of those this person may open, in the order in which they were asked for.

    Without bytes and payloads; `to_name` is whom it is addressed to, None for the office's own.
    """
    begin, end = month.span
    papers = queries.list_visible_documents(user=user).filter(asked_at__gte=begin, asked_at__lt=end, kind__in=kinds)
    sent_in = OutboxMessage.objects.defer("body").order_by("queued_at", "pk")
    to_name = Coalesce(KT("payload__page__addressee__name"), KT("payload__page__guardian__name"))
    papers = papers.annotate(to_name=to_name).prefetch_related(Prefetch("messages", queryset=sent_in))
    return papers.defer("content", "payload").order_by("asked_at", "pk")


def count_papers(*, month: Month, user: User) -> dict[str, int]:
    """Count the papers of a month by kind, of those this person may open."""
    papers = list_papers(month=month, kinds=list(KINDS), user=user).order_by().prefetch_related(None)
    return dict(papers.values_list("kind").annotate(count=Count("pk")))


def join_papers(papers: QuerySet[Document], *, part: int) -> bytes:
    """Join the made papers from number `(part - 1) * 100 + 1` on, a hundred at most, into one PDF, each in its outline.

    Raises Document.DoesNotExist where that part has none.
    """
    begin = (part - 1) * MOST_IN_ONE
    made = papers.filter(state=Document.State.MADE).prefetch_related(None)
    found = list(made.values_list("title", "to_name", "content")[begin : begin + MOST_IN_ONE])  # type: ignore[misc]  # annotated
    if not found:
        raise Document.DoesNotExist("There is no such part.")
    return pdf.join((f"{title}, {name}" if name else title, bytes(content)) for title, name, content in found)
