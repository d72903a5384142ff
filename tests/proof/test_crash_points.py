"""Stopped at any point, a night's work comes to the same end when it is begun again.

Points are before and after every commit, every statement that commits by itself, every PDF and every mail. The night is stopped
at each of them in turn, everything it held in memory is gone, no word reached a worker; then it is done again from the rows.
"""

import datetime
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.core import mail
from django.core.mail import EmailMessage
from django.db import connection

from billing.models import Charge, OverdueNotice, Posting
from rentals.documents import operations, outbox
from rentals.documents.models import Document, OutboxMessage
from rentals.jobs import working
from rentals.jobs.models import JobRun
from rentals.runtime import clock
from rentals.runtime.postgres import APPLICATION
from tests import emptying
from tests.billing.factories import AgreementFactory, GuardianFactory, HouseholdFactory
from tests.conftest import run

TODAY = datetime.date(2026, 2, 10)
NIGHT = datetime.datetime(2026, 2, 10, 18, 0, tzinfo=datetime.UTC)


class StoppedHere(BaseException):
    """The process ends here; nothing that expects errors may catch it."""


class Points:
    """Counts the points of a night and stops it at one of them."""

    def __init__(self, at: int) -> None:
        self.at, self.names = at, []

    def reach(self, name: str) -> None:
        self.names.append(name)
        if len(self.names) == self.at:
            raise StoppedHere(name)


@contextmanager
def stopping_at(points: Points) -> Iterator[None]:
    commit, send, render = connection.commit, EmailMessage.send, operations.render_pdf

    def committing() -> None:
        try:
            points.reach("before a commit")
        except StoppedHere:
            connection.connection.rollback()
            raise
        commit()
        points.reach("after a commit")

    def stating(execute, sql, params, many, context):
        writes = not connection.in_atomic_block and str(sql).lstrip().startswith(("UPDATE", "INSERT", "DELETE"))
        if writes:
            points.reach("before a statement")
        answer = execute(sql, params, many, context)
        if writes:
            points.reach("after a statement")
        return answer

    def sending(self, *args, **kwargs):
        points.reach("before a mail")
        sent = send(self, *args, **kwargs)
        points.reach("after a mail")
        return sent

    def rendering(**options):
        points.reach("before a page")
        made = render(**options)
        points.reach("after a page")
        return made

    with pytest.MonkeyPatch.context() as patch, connection.execute_wrapper(stating):
        patch.setattr(connection, "commit", committing)
        patch.setattr(EmailMessage, "send", sending)
        patch.setattr(operations, "render_pdf", rendering)
        yield


def night(moment: datetime.datetime) -> None:
    """Bill, write to who is late, make the letters, send the mails: what workers do when they are told of nothing."""
    for code in ("billing/bill", "billing/overdue_steps"):
        run, _ = JobRun.objects.get_or_create(code=code, on=TODAY, defaults={"due_at": moment})
        working.work_on(run_id=run.pk, now=lambda: moment)
    for document in list(Document.objects.filter(state="waiting")):
        operations.make_document(document_id=document.pk, now=moment)
    outbox.send_due_messages(now=moment)


def how_it_ended() -> dict[str, object]:
    """Return all that a night leaves behind and a family would notice."""
    return {
        "jobs": sorted(JobRun.objects.values_list("code", "state")),
        "charges": sorted(Charge.objects.filter(void_entry=None).values_list("period", "due_on")),
        "postings": sorted(Posting.objects.values_list("account_id", "amount")),
        "notices": sorted(OverdueNotice.objects.values_list("episode_on", "step")),
        "documents": sorted(Document.objects.values_list("key", "state")),
        "messages": sorted(OutboxMessage.objects.values_list("key", "state")),
    }


@pytest.fixture
def no_words(transactional_db, monkeypatch):
    """The tenth of February, and a broker that loses every word."""
    monkeypatch.setattr(clock, "today", lambda: TODAY)
    monkeypatch.setattr(clock, "now", lambda: NIGHT)
    for room in ("rentals.documents.operations", "rentals.documents.outbox", "billing.runs"):
        monkeypatch.setattr(f"{room}.send_word", lambda task, **ids: None)


def begin_with_one_family() -> None:
    """Empty the database as its owner, and make a family whose first rent was due ten days ago and is not billed yet."""
    run("RESET ROLE")
    emptying.empty_tables()
    run(f"SET ROLE {APPLICATION}")
    mail.outbox.clear()
    household = HouseholdFactory(pk=1, number="H-90001")
    guardian = GuardianFactory(household=household, is_primary=True, email="family@families.example")
    AgreementFactory(household=household, guardian=guardian, number="A-900001")


def stop_at(place: int) -> str:
    """Do the night and stop it at a point; return the point's name, "" when the night was over before."""
    try:
        with stopping_at(Points(place)):
            night(NIGHT)
    except StoppedHere as where:
        connection.close()
        return str(where)
    return ""


def test_a_night_comes_to_the_same_end_wherever_it_was_stopped(no_words):
    begin_with_one_family()
    points = Points(0)
    with stopping_at(points):
        night(NIGHT)
    wanted = how_it_ended()
    assert wanted["jobs"] == [("billing/bill", "done"), ("billing/overdue_steps", "done")]
    assert wanted["charges"] == [(0, datetime.date(2026, 1, 31))]
    assert [state for _, state in wanted["documents"]] == ["made"]
    assert [state for _, state in wanted["messages"]] == ["sent"]
    assert {name.partition(" a ")[2] for name in points.names} == {"commit", "statement", "page", "mail"}

    for place in range(1, len(points.names) + 1):
        begin_with_one_family()
        where = f"{place}: {stop_at(place)}"
        # Whatever was at work had the lease of it, which ended with its connection: there is nothing to wait for.
        night(NIGHT)
        assert how_it_ended() == wanted, where
        # Only who was stopped between a mail and writing it down cannot know; then the row says so.
        told_twice = OutboxMessage.objects.exclude(last_error="").count()
        assert 1 <= len(mail.outbox) <= 1 + told_twice, where
        assert told_twice == 0 or place >= points.names.index("before a mail"), where
