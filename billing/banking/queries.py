"""Reads of the bank's side: lines by their state, what each was matched with, what a file would bring."""

import datetime
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Count, Exists, OuterRef, Q, QuerySet

from billing import chart
from billing.banking import files
from billing.models import BankAccount, BankFile, BankLine, BankMatch
from rentals.runtime.money import ZERO

STATES = {
    "open": "To match",
    "held": "To be cleared",
    "matched": "Matched",
    "by-itself": "By itself",
    "left-out": "Left out",
}


def _in_force() -> QuerySet[BankMatch]:
    return BankMatch.objects.filter(line=OuterRef("pk"), undone_at=None)


def _held() -> QuerySet[BankMatch]:
    held = _in_force().filter(is_made_for_it=True, entry__postings__account=chart.TO_CLEAR)
    return held.exclude(entry__source__startswith="bank-split/")


def _by_itself() -> QuerySet[BankMatch]:
    return _in_force().filter(how=BankMatch.How.CERTAIN)


def list_open_lines() -> QuerySet[BankLine]:
    """List the lines that are still to be matched."""
    return BankLine.objects.filter(~Exists(_in_force()), left_out_at=None)


def list_lines(state: str, account: BankAccount | None = None) -> QuerySet[BankLine]:
    """List the lines of one state, oldest first: open, held (to be cleared), matched, by-itself (of those), left-out.

    `account`: those of one account at a bank alone.
    """
    lines = BankLine.objects.select_related("account")
    if account is not None:
        lines = lines.filter(account=account)
    if state == "left-out":
        lines = lines.exclude(left_out_at=None)
    elif state == "held":
        lines = lines.filter(Exists(_held()))
    elif state == "by-itself":
        lines = lines.filter(Exists(_by_itself()))
    elif state == "matched":
        lines = lines.filter(Exists(_in_force()))
    else:
        lines = lines.filter(~Exists(_in_force()), left_out_at=None)
    return lines.order_by("posted_on", "id")


def count_states(account: BankAccount | None = None) -> dict[str, int]:
    """Count the lines of each state in one query, of one account alone where one is given."""
    of_account = BankLine.objects.all() if account is None else BankLine.objects.filter(account=account)
    lines = of_account.annotate(has_match=Exists(_in_force()), is_held=Exists(_held()), is_by_itself=Exists(_by_itself()))
    counted = lines.aggregate(
        open=Count("pk", filter=Q(has_match=False, left_out_at=None)),
        held=Count("pk", filter=Q(is_held=True)),
        matched=Count("pk", filter=Q(has_match=True)),
        by_itself=Count("pk", filter=Q(is_by_itself=True)),
        left_out=Count("pk", filter=Q(left_out_at__isnull=False)),
    )
    return {state: counted[state.replace("-", "_")] for state in STATES}


@dataclass(frozen=True)
class MatchedPart:
    """What a part of a line was matched with, in words."""

    title: str
    amount: Decimal
    payment_id: int | None
    deposit_id: int | None
    how: str
    made_by: str
    made_at: datetime.datetime
    is_hold: bool = False


def describe_matches(lines: Sequence[BankLine]) -> dict[int, list[MatchedPart]]:
    """Say what each line is matched with, by its id. One query."""
    matches = BankMatch.objects.filter(line__in=lines, undone_at=None).select_related(
        "deposit", "payment__household", "payment__payment_return", "entry__payment_return__payment__household", "made_by"
    )
    told: dict[int, list[MatchedPart]] = {}
    for match in matches.order_by("id"):
        told.setdefault(match.line_id, []).append(
            MatchedPart(
                title=_title(match),
                amount=match.amount,
                payment_id=match.payment_id,
                deposit_id=match.deposit_id,
                how=match.get_how_display(),
                made_by=match.made_by.name,
                made_at=match.made_at,
                is_hold=_is_hold(match),
            )
        )
    return told


def _is_hold(match: BankMatch) -> bool:
    """Tell by the entry's words, which `matching` writes, whether the part waits to be cleared."""
    return match.entry is not None and match.is_made_for_it and match.entry.memo.startswith("To be cleared:")


def _title(match: BankMatch) -> str:
    if match.deposit is not None:
        return f"Deposit {match.deposit.number}"
    if match.payment is not None:
        returned = getattr(match.payment, "payment_return", None)
        since = f", taken back since: {returned.reason}" if returned else ""
        return f"Payment {match.payment.number}, {match.payment.household.name} {match.payment.household.number}{since}"
    assert match.entry is not None
    returned = getattr(match.entry, "payment_return", None)
    if returned is not None:
        return f"Return of {returned.of.number}, {returned.of.household.name}"
    return match.entry.memo


@dataclass(frozen=True)
class AccountPreview:
    """What a file would bring to one account."""

    found: files.FileAccount
    account: BankAccount | None
    perhaps: list[BankAccount]
    here: int
    fresh: list[files.FileLine]
    changed: list[files.FileLine]
    doubtful: list[files.FileLine]
    gap: Decimal | None

    @property
    def key(self) -> str:
        """By what the form names the account."""
        return self.found.fingerprints[0]

    @property
    def sum_fresh(self) -> Decimal:
        """What the new lines add up to, those in doubt too."""
        return sum((line.amount for line in [*self.fresh, *self.doubtful]), ZERO)


def preview(file: BankFile) -> list[AccountPreview]:
    """Look at a file as it would be taken in now: what is new, here already, changed, in doubt, and whether it adds up."""
    return [_preview(found) for found in files.accounts_of(file.contents)]


def _preview(found: files.FileAccount) -> AccountPreview:
    account = files.find_account(found.fingerprints)
    here, changed, doubtful = find_told_again(account, found)
    known, doubted = set(here), set(doubtful)
    return AccountPreview(
        found=found,
        account=account,
        perhaps=[] if account else list(BankAccount.objects.filter(last_four=found.last_four).order_by("name")),
        here=len(here),
        fresh=[line for line in found.lines if line.reference not in known | doubted],
        changed=[line for line in found.lines if line.reference in set(changed)],
        doubtful=[line for line in found.lines if line.reference in doubted],
        gap=_gap(account, found),
    )


def _gap(account: BankAccount | None, found: files.FileAccount) -> Decimal | None:
    """What is missing between the last closing balance and this one, None when there is none to compare with.

    The whole file is looked at, before anything in it is skipped: the lines here and the lines of the file, each once.
    """
    if account is None or found.balance is None or found.balance_on is None:
        return None
    last = account.statements.filter(balance_on__lt=found.balance_on).order_by("-balance_on", "-id").first()
    if last is None or last.closing_balance is None or last.balance_on is None:
        return None
    begins, ends = last.balance_on, found.balance_on
    here = account.lines.filter(posted_on__gt=begins, posted_on__lte=ends, left_out_at=None)
    amounts = dict(here.values_list("bank_reference", "amount"))
    for line in found.lines:
        if begins < line.posted_on <= ends:
            amounts.setdefault(line.reference, line.amount)
    gap: Decimal = found.balance - last.closing_balance - sum(amounts.values(), ZERO)
    return gap


def find_told_again(account: BankAccount | None, found: files.FileAccount) -> tuple[list[str], list[str], list[str]]:
    """Sort the lines of a file by their ids: those here already, those here with another amount or day, those in doubt.

    In doubt is a line with a new id whose day and amount another line has that is here and not in this file: the bank may have
    told the same one again under a new id. As many are in doubt as there are such lines; further ones are surely others.
    """
    if account is None:
        return [], [], []
    references = [line.reference for line in found.lines]
    wanted = [*references, *(line.other_reference for line in found.lines)]
    known = {x.bank_reference: x for x in account.lines.filter(bank_reference__in=wanted)}
    here = [line.reference for line in found.lines if line.reference in known]
    differing = [x for x in found.lines if x.reference in known and _differs(known[x.reference], x)]
    changed = [x.reference for x in differing if x.other_reference not in known]
    days = {line.posted_on for line in found.lines}
    others = account.lines.filter(posted_on__in=days, left_out_at=None).exclude(bank_reference__in=wanted)
    alike = Counter((line.posted_on, line.amount) for line in others)
    doubtful = []
    for line in found.lines:
        if line.reference not in known and alike[line.alike] > 0:
            alike[line.alike] -= 1
            doubtful.append(line.reference)
    return here, changed, doubtful


def _differs(line: BankLine, told: files.FileLine) -> bool:
    return (line.posted_on, line.amount) != told.alike
