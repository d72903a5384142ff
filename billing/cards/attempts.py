"""A card payment from its first click to its end. One function confirms, under a lock: the return page, a message and the sweep
may all come at once, and make one payment and one receipt. What is not known stays unknown until the processor has said.
"""

import contextlib
import datetime
import logging
from dataclasses import dataclass, replace
from decimal import Decimal
from uuid import UUID, uuid4

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from billing import ledger, payments, queries
from billing.cards import mails, processors, rules
from billing.cards.ports import Outcome, PageAsked, ProcessorRefusedError, ProcessorSilentError, Told
from billing.models import CardAttempt, CardEvent, Payment, PaymentReturn
from rentals.families.models import Guardian, Household
from rentals.runtime.locks import lock_one
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.operations import ensure_system_user

logger = logging.getLogger(__name__)
ASKED_AGAIN = datetime.timedelta(seconds=50)
MOST_LINES = 40
"""More than that nobody reads on a card page; a Checkout page takes 100 (docs.stripe.com/api/checkout/sessions/create)."""


class AttemptOpenError(Exception):
    """Another card payment of the household has no end yet."""

    def __init__(self, attempt: CardAttempt) -> None:
        super().__init__(
            f"A card payment of {written(attempt.amount)} is still under way for this family. Ask the processor how it ended "
            "before another one is started, so that nothing is charged twice."
        )
        self.attempt = attempt


class PageRefusedError(Exception):
    """The processor would not make a page, or none that may be opened."""


@dataclass(frozen=True)
class CardAsked:
    """What is to be paid, and where the processor's page goes back to: an absolute address that ends before the key."""

    household: Household
    amount: Decimal
    return_url: str
    paid_by: Guardian | None = None


@transaction.atomic
def begin_attempt(*, asked: CardAsked, key: UUID, acting_user: User, now: datetime.datetime) -> CardAttempt:
    """Write an attempt down before anybody is asked. Sent again with the same key it returns the first one.

    Raises NoProcessorError, AmountNotPositiveError, PayerOfAnotherHouseholdError, AttemptOpenError.
    """
    processor = processors.current()
    if processor is None:
        raise processors.NoProcessorError
    if asked.amount <= 0:
        raise payments.AmountNotPositiveError
    if asked.paid_by is not None and asked.paid_by.household_id != asked.household.pk:
        raise payments.PayerOfAnotherHouseholdError(asked.paid_by, asked.household)
    household = lock_one(Household.objects.filter(pk=asked.household.pk))
    earlier = CardAttempt.objects.filter(key=key, household=household).first()
    if earlier is not None:
        return earlier
    under_way = get_open(household.pk)
    if under_way is not None:  # `rules.may_begin`, held by the database too
        raise AttemptOpenError(under_way)
    return CardAttempt.objects.create(
        key=key,
        processor=processor.code,
        household=household,
        paid_by=asked.paid_by,
        amount=asked.amount,
        lines=[[words, str(amount)] for words, amount in lines_of(household.pk, asked.amount)],
        return_url=f"{asked.return_url}{key}/",
        started_at=now,
        started_by=acting_user,
    )


def lines_of(household_id: int, amount: Decimal) -> list[tuple[str, Decimal]]:
    """Return what an amount pays as the processor's page lists it: by due date, the oldest first, then what is kept on account.

    Dates alone, because a line's own words may name a child or an instrument. Nothing where the list would be too long.
    """
    paid, left = queries.list_would_pay(household_id, amount)
    lines = [(f"Due {written_day(line.due_on)}", line.amount) for line in queries.by_due_day(paid)]
    lines += [("Kept on account", left)] if left else []
    return lines if len(lines) <= MOST_LINES else []


def open_page(*, attempt: CardAttempt, now: datetime.datetime) -> CardAttempt:
    """Ask the processor for the page and return the attempt with its address; outside of any transaction.

    No clear answer leaves the attempt unknown: it is never asked under another key. Raises PageRefusedError.
    """
    processor = processors.by_code(attempt.processor)
    asked = PageAsked(
        key=attempt.key,
        amount=attempt.amount,
        currency=settings.CURRENCY,
        reference=f"Account {attempt.household.number}",
        return_url=attempt.return_url,
        lines=tuple((words, Decimal(amount)) for words, amount in attempt.lines),
        expires_at=attempt.started_at + rules.PAGE_LIFE,
    )
    try:
        page = processor.start(asked)
    except ProcessorSilentError:
        return settle(attempt=attempt, outcome=Outcome(Told.SILENT), now=now)
    except ProcessorRefusedError as refused:
        settle(attempt=attempt, outcome=Outcome(Told.FAILED, note=str(refused)), now=now)
        raise PageRefusedError(str(refused)) from refused
    if not processor.is_page(page.url):
        logger.error("the processor %s gave a page that is not its own", processor.code)
        raise PageRefusedError("The processor’s page has an address that is not the processor’s. Nobody was sent there.")
    return _keep_page(attempt, page.session, page.url)


@transaction.atomic
def _keep_page(attempt: CardAttempt, session: str, url: str) -> CardAttempt:
    locked: CardAttempt = lock_one(CardAttempt.objects.filter(pk=attempt.pk))
    locked.session = locked.session or session
    if locked.state in CardAttempt.OPEN:
        locked.page_url, locked.state = url, CardAttempt.State.STARTED
    locked.save(update_fields=["session", "page_url", "state"])
    return locked


def ask(*, attempt: CardAttempt, now: datetime.datetime) -> CardAttempt:
    """Ask the processor how an attempt stands, and settle it by the answer; outside of any transaction."""
    processor = processors.by_code(attempt.processor)
    try:
        outcome = processor.look_up(key=attempt.key, session=attempt.session, started_at=attempt.started_at)
    except (ProcessorSilentError, ProcessorRefusedError):
        return settle(attempt=attempt, outcome=Outcome(Told.SILENT), now=now)
    outcome = replace(outcome, told=rules.heard(outcome.told, started_at=attempt.started_at, now=now))
    return settle(attempt=attempt, outcome=outcome, now=now)


@transaction.atomic
def settle(*, attempt: CardAttempt, outcome: Outcome | None, now: datetime.datetime) -> CardAttempt:
    """Bring an attempt to where the processor's word, and every message kept so far, puts it. None: only the messages.

    The one function that confirms. Whatever comes first, twice or at once, the end is the same: one payment, one receipt.
    Outermost.
    """
    lock_one(Household.objects.filter(pk=attempt.household_id))
    attempt = lock_one(CardAttempt.objects.filter(pk=attempt.pk))
    if outcome is not None:
        _take_answer(attempt, outcome, now)
    _take_names(attempt)
    told = _strongest(attempt, outcome)
    if told is not None:
        _move(attempt, told, now)
    attempt.save()
    _take_back_disputed(attempt, now)
    return attempt


def _take_answer(attempt: CardAttempt, outcome: Outcome, now: datetime.datetime) -> None:
    attempt.asked_at = now
    attempt.session, attempt.charge = attempt.session or outcome.session, attempt.charge or outcome.charge
    attempt.note = outcome.note[:200] or attempt.note
    if outcome.told == Told.OPEN and not attempt.page_url and processors.by_code(attempt.processor).is_page(outcome.url):
        attempt.page_url = outcome.url


def _events(attempt: CardAttempt) -> list[CardEvent]:
    """Every message about an attempt: by its key, or by the processor's name of its payment."""
    rows = CardEvent.objects.filter(processor=attempt.processor)
    found = rows.filter(attempt_key=attempt.key)
    if attempt.charge:
        found |= rows.filter(charge=attempt.charge)
    return list(found.order_by("happened_at", "pk"))


def _take_names(attempt: CardAttempt) -> None:
    """Learn the processor's names from messages that came before its answer did."""
    for event in _events(attempt):
        if event.attempt_key == attempt.key:
            attempt.session = attempt.session or event.session
            if event.kind == CardEvent.Kind.PAID:
                attempt.charge = attempt.charge or event.charge
            if event.kind == CardEvent.Kind.DECLINED and not attempt.note:
                attempt.note = f"A card was declined ({event.note})."[:200]


def _strongest(attempt: CardAttempt, outcome: Outcome | None) -> tuple[Told, Decimal | None] | None:
    """Choose among the answer and all messages, whatever their order."""
    told = [(Told(event.kind), event.amount) for event in _events(attempt) if event.kind in set(Told)]
    return rules.strongest([*told, (outcome.told, outcome.amount)] if outcome else told)


def _move(attempt: CardAttempt, told: tuple[Told, Decimal | None], now: datetime.datetime) -> None:
    what, amount = told
    after = rules.moved(attempt.state, what)
    if after == attempt.state:
        return
    if after == CardAttempt.State.SUCCEEDED:
        if amount is not None and amount != attempt.amount:
            attempt.look_why = f"The processor took {written(amount)} instead of {written(attempt.amount)}."
        else:
            _pay(attempt, now)
        return
    attempt.state = CardAttempt.State(after)
    if after not in rules.OPEN:
        attempt.ended_at, attempt.page_url = now, ""


def _pay(attempt: CardAttempt, now: datetime.datetime) -> None:
    """Take the payment in; money that comes after an attempt had ended goes on the account all the same, and is looked at."""
    today = timezone.localdate(now)
    given = payments.PaymentGiven(Payment.Method.CARD, attempt.amount, ledger.open_day(today), paid_by=attempt.paid_by)
    attempt.payment = payments.take_payment(household=attempt.household, given=given, acting_user=attempt.started_by, now=now)
    if attempt.ended_at is not None:
        attempt.look_why = "The money came after this attempt had ended: see whether the family paid another way meanwhile."
    attempt.state, attempt.ended_at, attempt.page_url = CardAttempt.State.SUCCEEDED, now, ""
    mails.send_receipt(attempt=attempt, now=now)


def _take_back_disputed(attempt: CardAttempt, now: datetime.datetime) -> None:
    """Return the payment of a charge whose money the processor took back because of a dispute."""
    if attempt.payment is None:
        return
    kinds = {event.kind: event for event in _events(attempt)}
    disputed = kinds.get(CardEvent.Kind.DISPUTED)
    if disputed is None or PaymentReturn.objects.filter(payment=attempt.payment_id).exists():
        return
    on = max(ledger.open_day(timezone.localdate(now)), attempt.payment.received_on)
    back = payments.Back(PaymentReturn.Kind.BANK, f"Card payment disputed {disputed.note}".strip()[:120], on)
    payments.take_back(payment=payments.lock_payment(attempt.payment), back=back, acting_user=ensure_system_user(), now=now)


def close(*, attempt: CardAttempt, now: datetime.datetime) -> CardAttempt:
    """Close the page because nobody will pay on it, and ask how it stands; outside of any transaction."""
    processor = processors.by_code(attempt.processor)
    if attempt.session:
        with contextlib.suppress(ProcessorSilentError, ProcessorRefusedError):  # the answer below says how it stands
            processor.close(key=attempt.key, session=attempt.session)
    return ask(attempt=attempt, now=now)


def sweep(*, now: datetime.datetime) -> int:
    """Ask about every attempt without an end that was not asked about just now; return how many have one since."""
    waiting = CardAttempt.objects.filter(state__in=CardAttempt.OPEN, started_at__lte=now - ASKED_AGAIN)
    ended = 0
    for attempt in waiting.exclude(asked_at__gt=now - ASKED_AGAIN).order_by("asked_at", "pk"):
        try:
            ended += ask(attempt=attempt, now=now).state not in CardAttempt.OPEN
        except processors.NoProcessorError:
            logger.error("a card attempt waits for the processor %s, which is not set up any more", attempt.processor)
    return ended


@transaction.atomic
def mark_seen(*, attempt: CardAttempt, acting_user: User, now: datetime.datetime) -> None:
    """Note that a person has looked at what was odd about an attempt. Outermost."""
    locked = lock_one(CardAttempt.objects.filter(pk=attempt.pk))
    locked.seen_at, locked.seen_by = now, acting_user
    locked.save(update_fields=["seen_at", "seen_by"])


def get_open(household_id: int) -> CardAttempt | None:
    """Return the attempt of a household that has no end yet."""
    return CardAttempt.objects.filter(household_id=household_id, state__in=CardAttempt.OPEN).first()


def new_key() -> UUID:
    """Return a key for a form that starts an attempt."""
    return uuid4()
