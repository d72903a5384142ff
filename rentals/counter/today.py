"""How much waits today, for the first page. This room sees all the others, so it counts for them."""

from billing import adjustments
from billing import queries as books
from billing.collecting import call_list
from billing.taking import queries as takings
from rentals.agreements import promises
from rentals.documents import queries as documents
from rentals.inventory import queries as inventory
from rentals.staff.today import COUNTS, Told
from schools import contacts


def count_what_waits() -> None:
    """Tell the first page."""
    COUNTS["outbox"] = lambda today: outbox_in_hand()
    COUNTS["takings"] = lambda today: takings.count_open(before=today)
    COUNTS["deposits"] = lambda today: books.list_undeposited().count()
    COUNTS["adjustments"] = lambda today: adjustments.list_waiting().count()
    COUNTS["aging"] = lambda today: len(books.list_overdue(today))
    COUNTS["call_list"] = call_list.count_calls
    COUNTS["bench_queue"] = lambda today: inventory.list_bench_queue().count()
    COUNTS["instruments_to_come"] = lambda today: promises.list_open_promises().count()
    COUNTS["cleanings"] = lambda today: inventory.list_cleanings_due(today).count()
    COUNTS["next_steps"] = contacts.count_due


def outbox_in_hand() -> Told:
    """Tell how much of the outbox wants a person, and how many of those went wrong."""
    in_hand, failed = documents.count_messages_in_hand()
    return Told(in_hand, f"{failed} failed or came back" if failed else "")
