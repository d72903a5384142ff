"""The demo's closed months: up to the month before last, the last of them by its checklist, with all its reports kept."""

import datetime

from billing import months
from billing.closing import checklist, operations
from billing.closing.span import Month
from rentals.counter.demo.history import Story
from rentals.staff.models import Role


def close_months(story: Story) -> None:
    """Close the books up to the month before last."""
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    last_open = (story.today.replace(day=1) - datetime.timedelta(days=1)).replace(day=1)
    last = Month((last_open - datetime.timedelta(days=1)).replace(day=1))
    while (month := months.next_to_close()) is not None and month < last.first_day:
        months.close_month(first_day=month, acting_user=bookkeeper, now=story.now, today=story.today)
    if month != last.first_day:
        return
    for line in checklist.list_lines(last, today=story.today):
        if not line.is_settled and not line.check.is_hard:
            operations.waive(
                month=last, code=line.check.code, reason="Looked at; comes next month", acting_user=bookkeeper, now=story.now
            )
    operations.close_month(month=last, acting_user=bookkeeper, now=story.now, today=story.today)
