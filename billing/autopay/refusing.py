"""The bank refused a whole file: nobody was debited, so nothing of it stays in the books, and its charges may go out anew.

The deposit's entry is undone and every payment taken back where it was, on the way; the bank's account waits for nothing.
"""

import datetime
from collections.abc import Collection

from django.db import transaction
from django.db.models import Q

from billing import ledger, payments, returns
from billing.autopay import rules
from billing.autopay.running import EntryState, RunMovedOnError, State, end_run
from billing.models import (
    AutopayAuthorisation,
    AutopayEntry,
    AutopayNotice,
    AutopayReturn,
    AutopayRun,
    BankMatch,
    Deposit,
    Payment,
    PaymentReturn,
)
from rentals.families.models import Household
from rentals.runtime.locks import lock_rows
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User

REASON = "The bank refused the file of {number}"


class FileReachedBankError(Exception):
    """A line of the bank shows that the file was taken."""

    def __init__(self, run: AutopayRun, match: BankMatch) -> None:
        line = match.line
        super().__init__(
            f"The bank did take the file of {run.number}: its line of {written(line.amount)} on {written_day(line.posted_on)} is "
            "matched with it. If that match is wrong, undo it on the bank line first; then say that the file was refused. "
            "If single debits came back, take in the bank’s file of returns instead."
        )
        self.run, self.match = run, match


class FileAnsweredError(Exception):
    """Returns of its debits were taken in, so families' banks had the file."""

    def __init__(self, run: AutopayRun, count: int) -> None:
        debits = "1 of its debits" if count == 1 else f"{count} of its debits"
        super().__init__(
            f"{debits} came back from a family’s bank, so the file of {run.number} was not refused whole. Ask the bank which "
            "debits it made; what else comes back stands in its next file of returns."
        )
        self.run, self.count = run, count


class ReasonMissingError(Exception):
    """Nobody says what the bank said."""

    def __init__(self) -> None:
        super().__init__("Write what the bank said: whoever makes the next file has to know.")


def get_match(run: AutopayRun) -> BankMatch | None:
    """Return the match of a bank line that shows the run's money, or that of a payment of it that came back."""
    back = Q(entry__payment_return__payment__autopay_entry__run=run)
    return BankMatch.objects.filter(Q(deposit=run.deposit_id) | back, undone_at=None).select_related("line").first()


def why_not_refused(run: AutopayRun) -> Exception | None:
    """Return why a run cannot count as refused by the bank, None when it can."""
    if run.state not in {State.SENT, State.SETTLED}:
        return RunMovedOnError(run, "refused")
    match = get_match(run)
    if match is not None:
        return FileReachedBankError(run, match)
    answered = AutopayReturn.objects.filter(entry__run=run).count()
    return FileAnsweredError(run, answered) if answered else None


@transaction.atomic
def refuse_run(*, run: AutopayRun, why: str, acting_user: User, now: datetime.datetime, today: datetime.date) -> AutopayRun:
    """Note that the bank refused the whole file: what was owed is owed again and may go into another run.

    What families were told holds again where their day is not over by a week; the others are told anew. Nobody is written to.
    `why`: what the bank said. Outermost. Raises ReasonMissingError, RunMovedOnError, FileReachedBankError, FileAnsweredError.
    """
    if not why.strip():
        raise ReasonMissingError
    keys = list(AutopayEntry.objects.filter(run=run, state=EntryState.SENT).values_list("household_id", flat=True))
    _, runs = lock_rows(Household.objects.filter(pk__in=keys), AutopayRun.objects.filter(pk=run.pk))
    run = runs[0]
    lock_rows(Deposit.objects.filter(autopay_run=run))  # nobody matches it meanwhile
    refusal = why_not_refused(run)
    if refusal is not None:
        raise refusal
    assert run.deposit is not None, "the database lets no run leave without its deposit"
    on = ledger.open_day(max(today, run.effective_on))
    reason = REASON.format(number=run.number)
    ledger.reverse_entry(entry=run.deposit.entry, entry_on=on, reason=reason, acting_user=acting_user, now=now)
    _take_back(run, payments.Back(PaymentReturn.Kind.FILE, reason, on), acting_user=acting_user, now=now)
    end_run(run, State.REFUSED, why.strip(), acting_user, now)
    AutopayEntry.objects.filter(run=run, state=EntryState.SENT).update(state=EntryState.REFUSED)
    _tell_again(run, keys, today)
    return run


def _take_back(run: AutopayRun, back: payments.Back, *, acting_user: User, now: datetime.datetime) -> None:
    """Take every payment of the run back; one that was taken back by hand as returned is put right first."""
    rows = Payment.objects.filter(autopay_entry__run=run).select_related("payment_return").order_by("household_id", "pk")
    for payment in rows:
        if hasattr(payment, "payment_return"):
            returns.undo_return(payment=payment, reason=back.reason, acting_user=acting_user, now=now)
        payments.take_back(payment=payments.lock_payment(payment), back=back, acting_user=acting_user, now=now)


def _tell_again(run: AutopayRun, household_ids: Collection[int], today: datetime.date) -> None:
    """Let what families were told hold again, where nothing else was told since and autopay has not ended."""
    told_since = AutopayNotice.objects.filter(closed_at=None, household_id__in=household_ids).values("household_id")
    in_force = AutopayAuthorisation.objects.filter(ended_at=None).values("pk")
    notices = AutopayNotice.objects.filter(entries__run=run, entries__state=EntryState.REFUSED, authorisation__in=in_force)
    fresh = notices.filter(debit_on__gte=today - rules.TOLD_DAYS * rules.DAY).exclude(household_id__in=told_since).values("pk")
    AutopayNotice.objects.filter(pk__in=fresh).update(closed_at=None)
