"""The closing checks of what the office always has: billing, depreciation, the bank, accounts to clear, late fees, the books."""

import datetime

from django.db.models import Sum

from billing import late_fees, preview, verify
from billing.banking.queries import list_lines
from billing.closing import clearing
from billing.closing.checks import Found, closing_check
from billing.closing.span import Month
from billing.fleet import queries as fleet
from billing.models import AutopayRun
from billing.taking import queries as takings
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written


@closing_check(10, "over", "The month is over", is_hard=True, mend="months", label="Months")
def month_is_over(month: Month, today: datetime.date) -> Found:
    """A month that still runs cannot be closed."""
    over = today >= month.ends_before
    return Found(over, "" if over else f"It can be closed from {written_day(month.ends_before)}.")


@closing_check(20, "billed", "Everything due in the month is billed", mend="billing_runs", label="Billing runs")
def everything_is_billed(month: Month, today: datetime.date) -> Found:
    """What a run through the month's last day would bill now."""
    left = preview.get_preview(month.last_day)
    if not left.charges:
        return Found(True, f"A run through {written_day(month.last_day, 'short')} would bill nobody.")
    return Found(
        False, f"{_count(left.charges, 'bill')} of {written(left.total)} left. Start a run through {written_day(month.last_day)}."
    )


@closing_check(30, "depreciated", "The fleet’s depreciation is posted", mend="fleet_books", label="Fleet in the books")
def fleet_is_depreciated(month: Month, today: datetime.date) -> Found:
    """Months are depreciated in order; one closed without it is caught up in the next."""
    following = fleet.next_month(today)
    if following is None:
        return Found(True, "No instrument is in the books.")
    if following > month.first_day:
        return Found(True)
    return Found(False, "After closing it is posted with the next open month instead.")


@closing_check(40, "lines", "Every line of the bank is matched or held", mend="bank", label="Lines to match")
def bank_lines_are_matched(month: Month, today: datetime.date) -> Found:
    """Lines of the month and of earlier ones."""
    left = list_lines("open").filter(posted_on__lte=month.last_day).order_by()
    count, amount = left.count(), left.aggregate(sum=Sum("amount"))["sum"] or ZERO
    return Found(not count, f"{_count(count, 'line')}, {written(amount)} in all." if count else "")


@closing_check(55, "takings", "Counter takings are counted down and closed", mend="takings", label="Takings")
def takings_are_closed(month: Month, today: datetime.date) -> Found:
    """Every person's day in the month, and earlier."""
    left = takings.count_open(before=month.ends_before)
    return Found(not left, f"{_count(left, 'day')} still open." if left else "")


@closing_check(57, "autopay", "Every file of debits has the bank’s answer", mend="autopay", label="Autopay")
def autopay_is_settled(month: Month, today: datetime.date) -> Found:
    """Runs whose debits fall into the month or before, let out and neither settled nor refused yet."""
    left = AutopayRun.objects.filter(state=AutopayRun.State.SENT, effective_on__lte=month.last_day)
    numbers = list(left.order_by("pk").values_list("number", flat=True))
    return Found(not numbers, f"Waiting for the bank: {', '.join(numbers)}." if numbers else "")


@closing_check(
    60,
    "clearing",
    "Money on hand and on its way is explained to zero",
    mend="clearing",
    label="Accounts to clear",
    takes_month=True,
)
def clearing_accounts_are_explained(month: Month, today: datetime.date) -> Found:
    """Each account that money only passes through: its items make up its balance, and the office's records know them."""
    off = [each for each in clearing.explain_all(month.last_day) if not each.is_explained]
    note = "; ".join(f"{each.name}: {written(each.unexplained)} unexplained of {written(each.balance)}" for each in off)
    return Found(not off, note)


@closing_check(80, "late-fees", "Late fees were looked at", mend="late_fees", label="Late fees")
def late_fees_were_looked_at(month: Month, today: datetime.date) -> Found:
    """Those that were due by the end of the month and are still to be charged; the office may decide not to."""
    due = late_fees.list_late_fees_due(today=month.last_day)
    amount = sum((each.fee for each in due), ZERO)
    return Found(not due, f"{_count(len(due), 'fee')} of {written(amount)} could be charged." if due else "")


OF_THE_BOOKS = {1, 2, 3, 6, 8, 10}
"""The invariants that are about money in the books; the others (custody, documents, messages) do not keep a month open."""


@closing_check(90, "books", "The books agree with themselves", is_hard=True, mend="books", label="Books")
def books_agree(month: Month, today: datetime.date) -> Found:
    """Every check of `verify_books` that is about money in the books."""
    searches = [check for check in verify.CHECKS if check.invariant in OF_THE_BOOKS]
    breaches = [breach for check in searches for breach in check.find()]
    return Found(not breaches, "; ".join(breaches[:3]) if breaches else f"{len(searches)} checks find nothing.")


def _count(number: int, what: str) -> str:
    return f"1 {what}" if number == 1 else f"{number} {what}s"
