"""Clearing items of one or two accounts against each other, and undoing it; a person names the account for what is left."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection, transaction
from django.db.models import OuterRef, Subquery, Sum

from billing import ledger
from billing.closing import clearing
from billing.models import Account, ClearedItem, Clearing, JournalEntry, Posting
from rentals.runtime.locks import lock_one
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


class ClearingUndoneError(Exception):
    """Somebody else undid it."""

    def __init__(self, clearing: Clearing) -> None:
        name = clearing.undone_by.name if clearing.undone_by else ""
        super().__init__(f"{name} undid this already: {clearing.undone_why}.")


class WhyMissingError(Exception):
    """A clearing undone without a word of why."""

    def __init__(self) -> None:
        super().__init__("Write why it is undone; it is kept with it.")


def list_targets() -> list[Account]:
    """List the accounts that what is left may go to."""
    return [each for each in Account.objects.all() if each.kind in GOES_TO or each.code in ALSO_TO]


@dataclass(frozen=True)
class Cleared:
    """What one entry had posted to an account, as it was cleared."""

    account: str
    on: datetime.date
    memo: str
    amount: Decimal


def list_cleared(clearing: Clearing) -> list[Cleared]:
    """List what a clearing set against each other, oldest first."""
    posted = Posting.objects.filter(entry=OuterRef("entry"), account=OuterRef("account")).order_by()
    items = clearing.items.select_related("entry").annotate(
        sum=Subquery(posted.values("entry").annotate(sum=Sum("amount")).values("sum"))
    )
    return [Cleared(each.account_id, each.entry.entry_on, each.entry.memo, each.sum) for each in items.order_by("entry_id")]


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
    _hold_clearings()
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


def _hold_clearings() -> None:
    """Let one clearing or undoing go at a time, and wait for a month that is being closed, or keep it waiting."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('billing.clearing'))")
        cursor.execute("SELECT pg_advisory_xact_lock_shared(hashtext('billing.months'))")


@transaction.atomic
def undo_clearing(*, clearing: Clearing, why: str, acting_user: User, now: datetime.datetime, today: datetime.date) -> Clearing:
    """Undo a clearing on the first open day from today on: its items are open again, and what it posted is posted back.

    A closed month stays as it was closed: at its end the clearing was in force. Outermost. Raises WhyMissingError,
    ClearingUndoneError, MonthClosedError.
    """
    if not why.strip():
        raise WhyMissingError
    _hold_clearings()
    undone: Clearing = lock_one(Clearing.objects.filter(pk=clearing.pk))
    if undone.undone_on is not None:
        raise ClearingUndoneError(undone)
    reason = why.strip()[:200]
    undone.undone_on = day_of_undoing(undone, today=today)
    if undone.entry is not None:
        undone.undo_entry = ledger.reverse_entry(
            entry=undone.entry, entry_on=undone.undone_on, reason=reason, acting_user=acting_user, now=now
        )
    undone.undone_why, undone.undone_at, undone.undone_by = reason, now, acting_user
    undone.save(update_fields=["undone_on", "undo_entry", "undone_why", "undone_at", "undone_by"])
    undone.items.update(undone_on=undone.undone_on)
    return undone


def day_of_undoing(clearing: Clearing, *, today: datetime.date) -> datetime.date:
    """Return the day a clearing is undone on when that is done today: the first open one, and not before it was made."""
    return max(ledger.open_day(today), clearing.cleared_on)


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
