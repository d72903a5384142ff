"""Taking the bank's files in: reading one, taking its lines in once, leaving a line out that the bank told twice."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from billing.banking import accounts, files, lists, readers
from billing.models import BankAccount, BankAccountKey, BankFile, BankLine, BankMatch, BankStatement
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from rentals.staff.sign_in import seal


class AccountNotNamedError(Exception):
    """A file brings an account that nobody has named yet."""

    def __init__(self, last_four: str) -> None:
        super().__init__(f"Name the account that ends in {last_four}, or leave it out of this file.")
        self.last_four = last_four


class NothingToTakeInError(Exception):
    """Every account of the file was left out."""

    def __init__(self) -> None:
        super().__init__("Every account of this file is left out, so there is nothing to take in.")


class LineMatchedError(Exception):
    """The line is matched already."""

    def __init__(self, line: BankLine, made_by: str = "") -> None:
        by = f" by {made_by}" if made_by else ""
        super().__init__(f"This line has been matched{by} meanwhile. Undo that match first if it is wrong.")
        self.line = line


@dataclass(frozen=True)
class AccountAnswer:
    """What a person answered for one account of a file that nobody knew: its new name, or the account it is, or neither."""

    name: str = ""
    known_id: int | None = None
    left_out: bool = False


@transaction.atomic
def read_file(*, content: bytes, file_name: str, acting_user: User, now: datetime.datetime) -> BankFile:
    """Read a file and keep what it says, to be looked at. The same file again gives the same row.

    A list in CSV is read by the columns that were told before, where one account has lists of that layout; else it waits, sealed,
    to be told (`lists.tell_columns`). Outermost. Raises BankFileError with the line and the reason; then nothing is kept.
    """
    digest = files.sha256(content)
    known = BankFile.objects.filter(sha256=digest).first()
    if known is not None:
        return known
    given: dict[str, Any] = {"file_name": file_name[:200], "read_at": now, "read_by": acting_user}
    try:
        given["contents"] = files.as_contents(readers.read(content, currency=settings.CURRENCY))
    except readers.MappingNeededError as needed:
        given |= {"contents": lists.read_as_before(needed.sheet, content), "sealed": seal().encrypt(content)}
    row, _is_new = BankFile.objects.get_or_create(sha256=digest, defaults=given)
    return row


@transaction.atomic
def take_in(
    *,
    file: BankFile,
    answers: Mapping[str, AccountAnswer],
    same_lines: Sequence[str],
    acting_user: User,
    now: datetime.datetime,
    other_lines: Sequence[str] = (),
) -> list[BankStatement]:
    """Take in the lines of a file that are not here yet. A file that was taken in before gives the same statements.

    `answers`: by fingerprint, for accounts nobody knew. `same_lines`: the bank's ids of lines that a person found to be told
    a second time under a new id; they are kept, left out, so that nobody is asked again. `other_lines`: ids that the bank gave to
    another line before; what stands under them here is a line of its own.
    Outermost. Raises AccountNotNamedError, NothingToTakeInError, lists.ColumnsNotToldError, accounts.AccountNameTakenError,
    accounts.NoBooksLeftError.
    """
    file = lock_one(BankFile.objects.filter(pk=file.pk))
    if file.taken_at is not None:
        return list(file.statements.order_by("id"))
    if not file.is_read:
        raise lists.ColumnsNotToldError
    statements = []
    for found in files.accounts_of(file.contents):
        account = _account(found, answers.get(found.fingerprints[0]))
        if account is not None:
            given = _with_other_ids(account, found, set(other_lines))
            statements.append(_take_in_account(file, account, given, set(same_lines), acting_user, now))
    if not statements:
        raise NothingToTakeInError
    file.taken_at, file.sealed = now, None
    file.save(update_fields=["taken_at", "sealed"])
    return statements


def _account(found: files.FileAccount, answer: AccountAnswer | None) -> BankAccount | None:
    """Return the account by its fingerprint, or as a person answered; None when it is left out."""
    account = files.find_account(found.fingerprints)
    if account is None:
        if answer is None or not (answer.name or answer.known_id or answer.left_out):
            raise AccountNotNamedError(found.last_four)
        if answer.left_out:
            return None
        if answer.known_id is None:
            return accounts.open_account(name=answer.name, last_four=found.last_four, fingerprint=found.fingerprints[0])
        account = BankAccount.objects.get(pk=answer.known_id, last_four=found.last_four)
    if account.fingerprint in found.fingerprints[1:]:
        account.fingerprint = found.fingerprints[0]
        account.save(update_fields=["fingerprint"])
    elif account.fingerprint != found.fingerprints[0]:
        BankAccountKey.objects.filter(fingerprint__in=found.fingerprints[1:]).delete()
        BankAccountKey.objects.get_or_create(fingerprint=found.fingerprints[0], defaults={"account": account})
    locked: BankAccount = lock_one(BankAccount.objects.filter(pk=account.pk))
    return locked


def _with_other_ids(account: BankAccount, found: files.FileAccount, others: set[str]) -> files.FileAccount:
    """Give lines an id of their own whose id belongs to another line here, where a person said that they are others."""
    known = set(account.lines.filter(bank_reference__in=others).values_list("bank_reference", flat=True))
    lines = [replace(x, reference=x.other_reference) if x.reference in known else x for x in found.lines]
    return replace(found, lines=tuple(lines))


def _take_in_account(  # noqa: PLR0917 - private, called once
    file: BankFile,
    account: BankAccount,
    found: files.FileAccount,
    same_lines: set[str],
    acting_user: User,
    now: datetime.datetime,
) -> BankStatement:
    here = set(
        account.lines.filter(bank_reference__in=[x.reference for x in found.lines]).values_list("bank_reference", flat=True)
    )
    fresh = [line for line in found.lines if line.reference not in here]
    days = [line.posted_on for line in found.lines] + [x for x in (found.balance_on,) if x]
    today = timezone.localdate(now)
    statement = BankStatement.objects.create(
        account=account,
        file=file,
        begins_on=found.begins_on or min(days, default=today),
        ends_on=found.ends_on or max(days, default=today),
        closing_balance=found.balance,
        balance_on=found.balance_on,
        line_count=len(found.lines),
        new_line_count=len(fresh),
        imported_at=now,
        imported_by=acting_user,
    )
    BankLine.objects.bulk_create(
        [
            BankLine(
                statement=statement,
                account=account,
                bank_reference=line.reference,
                kind=line.kind,
                posted_on=line.posted_on,
                amount=line.amount,
                name=line.name,
                memo=line.memo,
                cheque_number=line.cheque_number,
                payer=line.payer,
                left_out_at=now if line.reference in same_lines else None,
            )
            for line in fresh
        ]
    )
    return statement


@transaction.atomic
def leave_out(*, line: BankLine, acting_user: User, now: datetime.datetime) -> BankLine:
    """Have a line count for nothing: the bank told it twice. It stays to be seen, and can be taken up again.

    Outermost. Raises LineMatchedError.
    """
    line = lock_one(BankLine.objects.filter(pk=line.pk))
    match = BankMatch.objects.filter(line=line, undone_at=None).select_related("made_by").first()
    if match is not None:
        raise LineMatchedError(line, match.made_by.name)
    if line.left_out_at is None:
        line.left_out_at = now
        line.save(update_fields=["left_out_at"])
    return line


@transaction.atomic
def take_up(*, line: BankLine, acting_user: User, now: datetime.datetime) -> BankLine:
    """Have a line count again that was left out. Outermost."""
    line = lock_one(BankLine.objects.filter(pk=line.pk))
    if line.left_out_at is not None:
        line.left_out_at = None
        line.save(update_fields=["left_out_at"])
    return line
