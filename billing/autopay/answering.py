"""Taking in the bank's file of returns and corrections: looked at first, then whole, once."""

import datetime
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal

from django.db import transaction
from django.utils import translation
from django.utils.translation import pgettext

from billing import ledger, payments, returned_papers
from billing.autopay import answers, authorising, codes, letters, rules
from billing.autopay.answers import Corrected, Returned
from billing.autopay.crypto import about_account, about_answers, ring
from billing.autopay.reader import NachaFileError
from billing.models import AutopayAnswers, AutopayAuthorisation, AutopayCorrection, AutopayEntry, AutopayReturn, PaymentReturn
from rentals.documents.models import OutboxMessage
from rentals.families.models import Household
from rentals.runtime.locks import lock_one, lock_rows
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User

Ended, AccountType = AutopayAuthorisation.Ended, AutopayAuthorisation.AccountType


class AnswersTakenError(Exception):
    """The file was taken in before."""

    def __init__(self, file: AutopayAnswers) -> None:
        super().__init__(f"{file.file_name} was taken in already; nothing in it is new.")
        self.file = file


@dataclass(frozen=True)
class ReturnFound:
    """A return with the debit it is about. `is_known`: an earlier file brought it."""

    told: Returned
    entry: AutopayEntry
    is_known: bool

    @property
    def reason(self) -> codes.Reason:
        """Why it came back."""
        return codes.reason_of(self.told.reason)

    @property
    def follows(self) -> str:
        """What will be done about it, in words."""
        if self.is_known:
            return "Here already"
        if self.reason.stops:
            return "Autopay stops"
        if self.reason.may_retry and self.entry.retry < rules.MOST_RETRIES:
            return "Presented again with the next run"
        return "Not presented again"


@dataclass(frozen=True)
class CorrectionFound:
    """A correction with the debit it is about."""

    told: Corrected = field(repr=False)
    entry: AutopayEntry
    is_known: bool

    @property
    def words(self) -> str:
        """What is corrected."""
        return codes.CHANGES.get(self.told.change, "Something else: ask the bank")

    @property
    def is_usable(self) -> bool:
        """Whether the authorisation changes: not where it ended, or where nothing is corrected that a file of ours can carry."""
        parts = (self.told.routing, self.told.account, self.told.is_savings)
        can_be_written = self.told.account is None or authorising.is_account_number(self.told.account)
        return self.entry.authorisation.is_in_force and can_be_written and any(part is not None for part in parts)


@dataclass(frozen=True)
class Found:
    """What a file says, matched to our debits."""

    returns: tuple[ReturnFound, ...]
    corrections: tuple[CorrectionFound, ...]

    @property
    def fresh_returns(self) -> list[ReturnFound]:
        """The returns no earlier file brought."""
        return [each for each in self.returns if not each.is_known]

    @property
    def amount(self) -> Decimal:
        """What comes back."""
        return sum((each.entry.amount for each in self.fresh_returns), Decimal(0))


@transaction.atomic
def read_answers(*, content: bytes, file_name: str, acting_user: User, now: datetime.datetime) -> AutopayAnswers:
    """Read a file and keep it sealed until it is taken in; the same file again gives the same row.

    Outermost. Raises NachaFileError with the line and the reason; then nothing is kept.
    """
    digest = hashlib.sha256(content).hexdigest()
    known = AutopayAnswers.objects.filter(sha256=digest).first()
    if known is not None:
        return known
    match_answers(content)
    key = ledger.next_id(AutopayAnswers)
    sealed = ring().seal(content, about=about_answers(key))
    row, _is_new = AutopayAnswers.objects.get_or_create(
        sha256=digest,
        defaults={"pk": key, "file_name": file_name[:200], "sealed": sealed, "read_at": now, "read_by": acting_user},
    )
    return row


def look_into(file: AutopayAnswers) -> Found:
    """Return what a file that waits would bring, as our debits stand now. Raises NachaFileError, AnswersTakenError."""
    if file.sealed is None:
        raise AnswersTakenError(file)
    return match_answers(ring().open(file.sealed, about=about_answers(file.pk)))


def match_answers(content: bytes) -> Found:
    """Find the debit of each return and correction. Raises NachaFileError: also for a trace number that is not ours."""
    returned, corrected = answers.read_answers(content)
    traces = {each.trace for each in returned} | {each.trace for each in corrected}
    entries = AutopayEntry.objects.filter(trace__in=traces).select_related(
        "authorisation", "household", "run", "payment", "came_back", "original"
    )
    ours = {entry.trace: entry for entry in entries.prefetch_related("corrections")}
    returns, seen = [], set()
    for told in returned:
        entry = _entry_of(told, ours)
        if int(entry.amount * 100) != told.cents:
            raise NachaFileError(told.line, f"debit {told.trace} was {written(entry.amount)}, the return says another amount.")
        if told.trace in seen:
            raise NachaFileError(told.line, f"debit {told.trace} is returned twice in this file.")
        seen.add(told.trace)
        returns.append(ReturnFound(told, entry, hasattr(entry, "came_back")))
    corrections = []
    for change in _told_once(corrected):
        entry = _entry_of(change, ours)
        corrections.append(CorrectionFound(change, entry, change.change in {each.change for each in entry.corrections.all()}))
    return Found(tuple(returns), tuple(corrections))


def _told_once(corrected: Sequence[Corrected]) -> list[Corrected]:
    """Pass over what a file tells a second time in the same words. Raises NachaFileError where the words differ."""
    told: dict[tuple[str, str], Corrected] = {}
    for change in corrected:
        first = told.setdefault((change.trace, change.change), change)
        if replace(change, line=first.line) != first:
            raise NachaFileError(change.line, f"debit {change.trace} is corrected twice, and not in the same way. Ask the bank.")
    return list(told.values())


def _entry_of(told: Returned | Corrected, ours: dict[str, AutopayEntry]) -> AutopayEntry:
    if told.trace not in ours:
        raise NachaFileError(told.line, f"trace number {told.trace} is of no debit that left here. Is it another office’s file?")
    return ours[told.trace]


@transaction.atomic
def take_in(*, file: AutopayAnswers, acting_user: User, now: datetime.datetime, today: datetime.date) -> Found:
    """Take a file in: payments taken back with their credit, families told, corrections used. All of it or nothing.

    What an earlier file brought is passed over. Outermost. Raises AnswersTakenError, NachaFileError, MonthClosedError.
    """
    found = look_into(file)
    keys = {each.entry.household_id for each in found.returns} | {each.entry.household_id for each in found.corrections}
    _, files = lock_rows(Household.objects.filter(pk__in=keys), AutopayAnswers.objects.filter(pk=file.pk))
    file = files[0]
    found = look_into(file)
    for each in found.fresh_returns:
        _take_back(file, each, acting_user=acting_user, now=now, today=today)
    for correction in found.corrections:
        if not correction.is_known:
            _correct(file, correction, now=now)
    file.taken_at, file.taken_by, file.sealed = now, acting_user, None
    file.save(update_fields=["taken_at", "taken_by", "sealed"])
    return found


def _take_back(
    file: AutopayAnswers, found: ReturnFound, *, acting_user: User, now: datetime.datetime, today: datetime.date
) -> None:
    entry, reason = found.entry, found.reason
    payment = entry.payment
    assert payment is not None, "the database lets no debit leave without its payment"
    returned_on = max(today, payment.received_on)
    payment_return = PaymentReturn.objects.filter(payment=payment).first()  # by hand, or with a file that was refused whole
    if payment_return is None:
        words = f"{reason.code} {reason.words}"[:120]
        payment_return = payments.return_payment(
            payment=payment, reason=words, returned_on=returned_on, acting_user=acting_user, now=now
        )
    authorisation = lock_one(AutopayAuthorisation.objects.filter(pk=entry.authorisation_id))
    if reason.stops and authorisation.is_in_force:
        why = f"Debit {entry.trace} came back: {reason.code} {reason.words}"
        authorising.stop(authorisation, how=Ended.RETURNED, why=why, acting_user=acting_user, now=now)
    told = returned_papers.get_notice(payment_return)
    message = told or _tell(found, today=today, acting_user=acting_user, now=now)
    AutopayReturn.objects.create(
        file=file, entry=entry, reason=reason.code, returned_on=returned_on, payment_return=payment_return, message=message
    )


def _tell(found: ReturnFound, *, today: datetime.date, acting_user: User, now: datetime.datetime) -> OutboxMessage:
    """Tell the family, in its language, what its bank said and what happens next."""
    entry, reason = found.entry, found.reason
    with translation.override(entry.household.language):
        places = {
            "account": letters.account_words(entry.authorisation.account_type, entry.last_four),
            "amount": written(entry.amount),
            "reason": pgettext("autopay", reason.words).lower(),
            "next": _what_next(entry, reason, today),
        }
        return letters.send(
            household=entry.household,
            kind="autopay_return",
            key=f"autopay-return/{entry.pk}",
            heading=pgettext("autopay", "A debit came back"),
            today=today,
            code="autopay_return",
            places=places,
            acting_user=acting_user,
            now=now,
        )


def _what_next(entry: AutopayEntry, reason: codes.Reason, today: datetime.date) -> str:
    if reason.stops:
        return pgettext(
            "autopay",
            "We make no further debits from this account. Please pay the amount another way, and call us: with new details, or "
            "a new authorization, autopay can begin again.",
        )
    if reason.may_retry and entry.retry < rules.MOST_RETRIES:
        earliest = {"day": written_day(rules.banking_day_after(today, 1))}
        return (
            pgettext(
                "autopay",
                "We present it once more with our next file, at the earliest on %(day)s. Please see that the money is there, or "
                "call us.",
            )
            % earliest
        )
    return pgettext(
        "autopay", "The amount is owed again. Please pay it another way, or call us so that we can find a way together."
    )


def _correct(file: AutopayAnswers, found: CorrectionFound, *, now: datetime.datetime) -> None:
    """Use a correction for every debit from now on; where it cannot be used, only note it."""
    authorisation = lock_one(AutopayAuthorisation.objects.filter(pk=found.entry.authorisation_id))
    usable = found.is_usable and authorisation.is_in_force
    before = authorisation.last_four
    if usable:
        _change_account(authorisation, found.told)
    AutopayCorrection.objects.create(
        file=file,
        entry=found.entry,
        change=found.told.change,
        last_four_before=before,
        last_four_after=authorisation.last_four,
        is_used=usable,
        made_at=now,
    )


def _change_account(authorisation: AutopayAuthorisation, told: Corrected) -> None:
    keys, about = ring(), about_account(authorisation.pk)
    number = told.account or keys.open(authorisation.account_sealed, about=about).decode()
    number = authorising.clean_account_number(number)
    authorisation.routing_number = told.routing or authorisation.routing_number
    if told.is_savings is not None:
        authorisation.account_type = AccountType.SAVINGS if told.is_savings else AccountType.CHECKING
    authorisation.last_four = authorising.last_four_of(number)
    authorisation.account_sealed = keys.seal(number.encode(), about=about)
    authorisation.account_index = keys.index(authorisation.routing_number, number)
    authorisation.save(update_fields=["routing_number", "account_type", "last_four", "account_sealed", "account_index"])
