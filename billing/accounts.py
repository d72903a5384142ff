"""A household's account as a list of rows in the order of the books: what each entry was, in words that a family reads.

Read from the ledger, so that the rows add up to what the household owes, to the cent.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext

from billing import chart
from billing.models import Charge, CreditNote, JournalEntry, Payment, PaymentReturn, Posting
from rentals.documents.words import in_language
from rentals.runtime.templatetags.office import day as written_day


@dataclass(frozen=True)
class AccountRow:
    """One entry on a household's account. `amount` is signed: what is owed more is positive.

    kind: charge, payment, return, credit, void or other. `lines` are the lines of a bill, each with its amount. `is_money`: paid
    in, or back from the bank; `paid_by_id` is then who paid. `shared_on` is the day whose payer shares count.
    """

    entry_id: int
    on: datetime.date
    kind: str
    what: str
    amount: Decimal
    shared_on: datetime.date
    lines: tuple[tuple[str, Decimal], ...] = ()
    agreement_id: int | None = None
    is_money: bool = False
    paid_by_id: int | None = None


@dataclass
class _Sources:
    """What the entries of a household record, by entry."""

    charges: dict[int, Charge] = field(default_factory=dict)
    payments: dict[int, Payment] = field(default_factory=dict)
    returns: dict[int, PaymentReturn] = field(default_factory=dict)
    notes: dict[int, CreditNote] = field(default_factory=dict)


def list_account_rows(household_id: int, *, through_on: datetime.date | None = None) -> list[AccountRow]:
    """List what was posted to a household, oldest first, through a day (inclusive); in six queries however much it is."""
    postings = Posting.objects.filter(household_id=household_id, account_id=chart.RECEIVABLES)
    if through_on is not None:
        postings = postings.filter(entry__entry_on__lte=through_on)
    sources = _read_sources(household_id)
    rows = postings.select_related("entry").order_by("entry__entry_on", "entry_id", "id")
    return [_row(posting, sources) for posting in rows]


def _read_sources(household_id: int) -> _Sources:
    charges = Charge.objects.filter(household_id=household_id).select_related("agreement").prefetch_related("lines")
    returns = PaymentReturn.objects.filter(
        Q(payment__household_id=household_id) | Q(undone_payment__household_id=household_id)
    ).select_related("payment", "undone_payment")
    return _Sources(
        charges={each.entry_id: each for each in charges},
        payments={each.entry_id: each for each in Payment.objects.filter(household_id=household_id)},
        returns={each.entry_id: each for each in returns},
        notes={each.entry_id: each for each in CreditNote.objects.filter(household_id=household_id)},
    )


def _row(posting: Posting, sources: _Sources) -> AccountRow:
    entry = posting.entry
    told = _tell(entry.reverses_id or entry.pk, sources)
    if told is None:
        told = {"kind": "other", "what": entry.memo}
    if entry.reverses_id is not None:
        told |= {"kind": "void", "what": gettext("Taken back: %s") % _told_or_memo(told, entry), "lines": ()}
    return AccountRow(entry_id=entry.pk, on=entry.entry_on, amount=posting.amount, **{"shared_on": entry.entry_on, **told})


def _told_or_memo(told: dict[str, Any], entry: JournalEntry) -> str:
    reason = entry.memo.partition(" undone: ")[2]
    return f"{told['what']} ({reason})" if reason else str(told["what"])


def _tell(entry_id: int, sources: _Sources) -> dict[str, Any] | None:
    """Say what an entry records, None when it records nothing that stands on an account."""
    if entry_id in sources.charges:
        return _tell_charge(sources.charges[entry_id])
    if entry_id in sources.payments:
        payment = sources.payments[entry_id]
        how = " ".join(part for part in (in_language(payment.get_method_display()).lower(), payment.cheque_number) if part)
        what = gettext("Payment %(number)s, %(how)s") % {"number": payment.number, "how": how}
        return {"kind": "payment", "what": what, "is_money": True, "paid_by_id": payment.paid_by_id}
    if entry_id in sources.returns:
        returned = sources.returns[entry_id]
        words = {"number": returned.of.number, "reason": returned.reason}
        if returned.kind == PaymentReturn.Kind.MISTAKE:
            what = gettext("Payment %(number)s void, taken by mistake: %(reason)s") % words
        elif returned.kind == PaymentReturn.Kind.FILE:
            what = gettext("Payment %(number)s was not debited: the bank did not take our file") % words
        else:
            what = gettext("Payment %(number)s returned by the bank: %(reason)s") % words
        return {"kind": "return", "what": what, "is_money": True, "paid_by_id": returned.of.paid_by_id}
    if entry_id in sources.notes:
        note = sources.notes[entry_id]
        is_write_off = note.kind == CreditNote.Kind.WRITE_OFF
        what = gettext("Written off, %s") if is_write_off else gettext("Credit %s")
        told: dict[str, Any] = {"kind": "credit", "what": what % note.number, "agreement_id": note.agreement_id}
        if not is_write_off:
            told["what"] += f": {note.reason}"
        return told | {"shared_on": note.credited_on}
    return None


def _tell_charge(charge: Charge) -> dict[str, Any]:
    return {
        "kind": "charge",
        "what": title_of(charge),
        "lines": tuple((in_language(line.description), line.amount) for line in _in_order(charge)),
        "agreement_id": charge.agreement_id,
        "shared_on": charge.due_on,
    }


def title_of(charge: Charge) -> str:
    """Name a charge as a family reads it: with its agreement, and a period of rent with its first and last day."""
    lines = _in_order(charge)
    is_told_apart = charge.kind in {Charge.Kind.FEE, Charge.Kind.REFUND} and lines
    what = in_language(lines[0].description if is_told_apart else charge.get_kind_display())
    parts = [what, charge.agreement.number] if charge.agreement else [what]
    if charge.period_begins_on and charge.period_ends_on:
        last = charge.period_ends_on - datetime.timedelta(days=1)
        parts.append(
            gettext("%(first)s to %(last)s") % {"first": written_day(charge.period_begins_on), "last": written_day(last)}
        )
    return ", ".join(parts)


def _in_order(charge: Charge) -> Sequence[Any]:
    return sorted(charge.lines.all(), key=lambda line: line.position)
