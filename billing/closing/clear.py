"""Clearing items of one or two accounts against each other; what is left of them goes to an account that a person names."""

import datetime
from collections.abc import Sequence
from decimal import Decimal

from django.db import connection, transaction

from billing import ledger
from billing.closing import clearing
from billing.models import Account, ClearedItem, Clearing, JournalEntry
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User

GOES_TO = (Account.Kind.EXPENSE, Account.Kind.INCOME, Account.Kind.EQUITY)
ALSO_TO = ("2100",)
"""Where what is left may go: not to another account that stands for things counted elsewhere."""


class NothingToClearError(Exception):
    """Nothing was chosen."""

    def __init__(self) -> None:
        super().__init__("Tick what belongs together.")


class ItemNotOpenError(Exception):
    """Something that was chosen is cleared or undone meanwhile."""

    def __init__(self) -> None:
        super().__init__("Something you ticked was cleared or undone meanwhile. Choose from what is left.")


class RestHasNoAccountError(Exception):
    """What was chosen does not add up to zero, and no account was named for the rest."""

    def __init__(self, rest: Decimal) -> None:
        super().__init__(f"What you ticked leaves {written(rest)}. Say which account that goes to, or tick what is missing.")
        self.rest = rest


class NoteMissingError(Exception):
    """A clearing without a word of what it is."""

    def __init__(self) -> None:
        super().__init__("Write in a few words what this is; the accountant reads it.")


def list_targets() -> list[Account]:
    """List the accounts that what is left may go to."""
    return [each for each in Account.objects.all() if each.kind in GOES_TO or each.code in ALSO_TO]


@transaction.atomic
def clear(
    *, chosen: Sequence[tuple[str, int]], rest_to: str, note: str, acting_user: User, now: datetime.datetime, today: datetime.date
) -> Clearing:
    """Clear items (account and entry) against each other on the first open day from today on, and post what is left of them.

    Each account comes to zero for what was chosen of it; `rest_to` takes the whole rest, "" where there is none. Outermost.
    Raises NothingToClearError, ItemNotOpenError, RestHasNoAccountError, NoteMissingError, MonthClosedError.
    """
    if not chosen:
        raise NothingToClearError
    if not note.strip():
        raise NoteMissingError
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('billing.clearing'))")
    on = ledger.open_day(today)
    sums = _sums(chosen, on)
    rest = sum(sums.values(), ZERO)
    if rest and rest_to not in {each.code for each in list_targets()}:
        raise RestHasNoAccountError(rest)
    made = Clearing(pk=ledger.next_id(Clearing), cleared_on=on, note=note.strip()[:200], made_at=now, made_by=acting_user)
    if any(sums.values()):
        made.entry = ledger.post_entry(
            entry_on=on,
            kind=JournalEntry.Kind.BANK,
            memo=f"Cleared: {made.note}",
            source=f"clearing/{made.pk}",
            postings=[*(ledger.Line(code, -amount) for code, amount in sums.items()), ledger.Line(rest_to, rest)],
            acting_user=acting_user,
            now=now,
        )
    made.save(force_insert=True)
    ClearedItem.objects.bulk_create([ClearedItem(clearing=made, entry_id=key, account_id=code) for code, key in chosen])
    return made


def _sums(chosen: Sequence[tuple[str, int]], on: datetime.date) -> dict[str, Decimal]:
    """Add up what was chosen, account by account, as it is open on the day."""
    sums: dict[str, Decimal] = {}
    for code in sorted({code for code, _ in chosen}):
        way = clearing.WAYS.get(code)
        if way is None or not way.is_cleared_by_hand:
            raise ItemNotOpenError
        items = {item.entry_id: item.amount for item in way.find(on)}
        keys = [key for account, key in chosen if account == code]
        if len(set(keys)) != len(keys) or not set(keys) <= items.keys():
            raise ItemNotOpenError
        sums[code] = sum((items[key] for key in keys), ZERO)
    return sums
