"""Closing a month by its checklist, keeping what it was closed with; waiving a soft check; reopening by a manager."""

import datetime
import hashlib

from django.conf import settings
from django.db import IntegrityError, connection, transaction

from billing import months
from billing.closing import checklist, files
from billing.closing.reports import catalog
from billing.closing.reports.table import Report
from billing.closing.span import Month
from billing.models import ClosedMonth, ClosingFile, ClosingPackage, ClosingWaiver, MonthReopening
from rentals.documents import operations as documents
from rentals.documents.models import Document
from rentals.documents.pages import ClosingCheckLine, ClosingPage
from rentals.runtime.locks import lock_one
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import Role, User


class ChecksOpenError(Exception):
    """Checks of the month neither hold nor were waived; `lines` says which."""

    def __init__(self, lines: list[checklist.Line]) -> None:
        super().__init__("The month cannot be closed yet: " + "; ".join(line.check.title for line in lines) + ".")
        self.lines = lines


class ReasonMissingError(Exception):
    """A waiver or a reopening without its reason."""

    def __init__(self) -> None:
        super().__init__("Write the reason; it is kept with the month.")


class CheckNotWaivableError(Exception):
    """The check is hard, or there is none of this name."""

    def __init__(self, title: str) -> None:
        super().__init__(f"“{title}” cannot be waived: it has to hold before the month is closed.")


class WaiverGoneError(Exception):
    """The waiver was withdrawn by somebody else."""

    def __init__(self) -> None:
        super().__init__("This was withdrawn already.")


class NotTheLastMonthError(Exception):
    """Only the month that was closed last can be reopened. `last` is its first day, None where no month is closed."""

    def __init__(self, last: datetime.date | None) -> None:
        which = f" That is {written_day(last, 'month')}." if last else " No month is closed."
        super().__init__(f"Only the month that was closed last can be reopened.{which}")
        self.last = last


class OnlyAManagerReopensError(Exception):
    """Somebody else than a manager."""

    def __init__(self) -> None:
        super().__init__("Only a manager reopens a month.")


@transaction.atomic
def waive(*, month: Month, code: str, reason: str, acting_user: User, now: datetime.datetime) -> ClosingWaiver:
    """Let a soft check of a month pass, with the reason; a second waiver takes the place of the first. Outermost.

    Raises CheckNotWaivableError, ReasonMissingError.
    """
    check = checklist.get_check(code)
    if check is None or check.is_hard:
        raise CheckNotWaivableError(check.title if check else code)
    if not reason.strip():
        raise ReasonMissingError
    _hold_months()
    before = ClosingWaiver.objects.filter(first_day=month.first_day, code=code, withdrawn_at=None)
    before.update(withdrawn_at=now, withdrawn_by=acting_user)
    return ClosingWaiver.objects.create(
        first_day=month.first_day, code=code, reason=reason.strip()[:200], made_at=now, made_by=acting_user
    )


@transaction.atomic
def withdraw_waiver(*, waiver: ClosingWaiver, acting_user: User, now: datetime.datetime) -> ClosingWaiver:
    """Let a check count again. Outermost. Raises WaiverGoneError."""
    waiver = lock_one(ClosingWaiver.objects.filter(pk=waiver.pk))
    if waiver.withdrawn_at is not None:
        raise WaiverGoneError
    waiver.withdrawn_at, waiver.withdrawn_by = now, acting_user
    waiver.save(update_fields=["withdrawn_at", "withdrawn_by"])
    return waiver


@transaction.atomic
def close_month(*, month: Month, acting_user: User, now: datetime.datetime, today: datetime.date) -> ClosingPackage:
    """Close a month whose checks hold or were waived, and keep what it was closed with. Outermost.

    Whoever posts meanwhile is waited for, and then waits: the figures kept are those of the closed month.
    Raises ChecksOpenError, and what `months.close_month` raises.
    """
    _hold_months()
    months.check_is_next(month.first_day)
    lines = checklist.list_lines(month, today=today)
    left = [line for line in lines if not line.is_settled]
    if left:
        raise ChecksOpenError(left)
    closed = months.close_month(first_day=month.first_day, acting_user=acting_user, now=now, today=today)
    return _keep(closed, month, lines, catalog.make_all(month))


def _hold_months() -> None:
    with connection.cursor() as cursor:
        # The same key as in the database's own guards.
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('billing.months'))")


def _keep(closed: ClosedMonth, month: Month, lines: list[checklist.Line], reports: list[Report]) -> ClosingPackage:
    number = ClosingPackage.objects.filter(first_day=month.first_day).count() + 1
    package = ClosingPackage(
        first_day=month.first_day,
        number=number,
        closed_at=closed.closed_at,
        closed_by=closed.closed_by,
        checklist=[line.as_kept() for line in lines],
    )
    package.document = _ask_for_paper(package, month, reports)
    package.save(force_insert=True)
    contents = {f"{report.code}-{month.code}.csv": files.to_csv(report).encode() for report in reports}
    ClosingFile.objects.bulk_create(
        [
            ClosingFile(package=package, name=name, content=content, sha256=hashlib.sha256(content).hexdigest())
            for name, content in contents.items()
        ]
    )
    return package


def _ask_for_paper(package: ClosingPackage, month: Month, reports: list[Report]) -> Document:
    page = ClosingPage(
        month=str(month),
        through_on=month.last_day,
        number=package.number,
        closed_at=package.closed_at,
        closed_by=package.closed_by.name,
        checks=tuple(ClosingCheckLine(each["title"], each["state"], each["note"], each["waived"]) for each in package.checklist),
        reports=tuple(files.to_page(report) for report in reports),
    )
    return documents.ask_for_document(
        key=f"closing/{month.code}/{package.number}",
        kind="closing",
        about=f"closing/{month.code}-{package.number}",
        title=f"{month} closed" + (f", {package.number}" if package.number > 1 else ""),
        page=page,
        language=settings.LANGUAGE_CODE[:2],
        now=package.closed_at,
    )


def reopen_month(*, month: Month, reason: str, acting_user: User, now: datetime.datetime) -> MonthReopening:
    """Open the month that was closed last again; its package stays as it was, and closing it again makes another. Outermost.

    Raises OnlyAManagerReopensError, ReasonMissingError, NotTheLastMonthError; the database refuses all three once more.
    """
    if acting_user.role != Role.MANAGER:
        raise OnlyAManagerReopensError
    if not reason.strip():
        raise ReasonMissingError
    try:
        with transaction.atomic():
            return _reopen(month, reason.strip()[:200], acting_user, now)
    except IntegrityError as error:
        if getattr(getattr(error.__cause__, "diag", None), "constraint_name", "") != "reopening_of_the_last_month":
            raise
        raise NotTheLastMonthError(months.last_closed()) from error


def _reopen(month: Month, reason: str, acting_user: User, now: datetime.datetime) -> MonthReopening:
    _hold_months()
    closed = ClosedMonth.objects.filter(first_day=month.first_day).first()
    if closed is None or closed.first_day != months.last_closed():
        raise NotTheLastMonthError(months.last_closed())
    return MonthReopening.objects.create(
        first_day=closed.first_day,
        closed_at=closed.closed_at,
        closed_by=closed.closed_by,
        entry_count=closed.entry_count,
        debits=closed.debits,
        reason=reason,
        reopened_at=now,
        reopened_by=acting_user,
    )
