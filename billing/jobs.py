"""The books' own jobs: the month's billing night by night, fees, notices, steps, and the rounds after what waits."""

import datetime
import logging
from collections.abc import Iterator
from datetime import time

from billing import late_fees, overdue, purchases, runs, verify
from billing.autopay import noticing, running
from billing.banking import certain
from billing.cards import attempts as card_attempts
from billing.cards import payouts as card_payouts
from billing.cards import processors
from billing.cards import refunds as card_refunds
from billing.collecting import arrangements
from billing.models import BillingRun
from rentals.jobs.timetable import Step, Turn, day_job, one_by_one, round_job
from rentals.jobs.working import JobCannotRunError
from rentals.runtime import clock
from rentals.staff.operations import ensure_system_user

logger = logging.getLogger(__name__)

BILL = "billing/bill"
LATE_FEES = "billing/late_fees"


@day_job(BILL, "Bill what is due", at=time(2, 10), each_day=True)
def bill(turn: Turn) -> Iterator[Step]:
    """Bill everything due through the day, chunk by chunk; the other workers were called to the same run."""
    run = runs.bill_tonight(today=turn.on, now=turn.now())
    said = run.done
    while runs.continue_chunk(run.pk, now=turn.now()):
        run = BillingRun.objects.get(pk=run.pk)
        if run.planned_at and said == 0:
            yield Step(total=run.total)
        yield Step(done=run.done - said)
        said = run.done
    yield Step(done=BillingRun.objects.get(pk=run.pk).done - said)


@day_job(LATE_FEES, "Charge late fees", at=time(3, 0), after=(BILL,))
def charge_late_fees(turn: Turn) -> Iterator[Step]:
    """Charge the late fees that are due."""
    today, system = clock.today(), ensure_system_user()
    yield from one_by_one(
        late_fees.list_late_fees_due(today=today),
        lambda due: late_fees.charge_late_fee(due=due, today=today, acting_user=system, now=turn.now()),
    )


@day_job("billing/verify", "Verify the books", at=time(4, 0), after=(BILL, LATE_FEES))
def verify_books(_: Turn) -> Iterator[Step]:
    """Search the books for whatever must never be, and say it where the administrator reads."""
    checks = sorted(verify.CHECKS, key=lambda check: check.invariant)
    breaches = 0
    yield Step(total=len(checks))
    for check in checks:
        breaches += bool(found := check.find())
        if found:
            logger.error("the books: %s: %s found", check.title, len(found))
        yield Step(done=1)
    if breaches:
        message = (
            f"{breaches} of {len(checks)} checks found something that must never be. Nothing was changed. "
            "Have the administrator run `python3 manage.py verify_books`, which names each line, before the month is closed."
        )
        raise JobCannotRunError(message)


@day_job("billing/autopay_notices", "Tell families of debits", at=time(6, 30), after=(BILL,))
def give_autopay_notices(turn: Turn) -> Iterator[Step]:
    """Tell the families whose debits come up, and settle the runs that the bank's lines met."""
    today, system = clock.today(), ensure_system_user()
    running.settle_matched_runs(acting_user=system, now=turn.now())
    running.close_stale_notices(today=today, now=turn.now())
    yield from one_by_one(
        noticing.list_notices_due(today=today),
        lambda due: noticing.give_notice(
            household_id=due.authorisation.household_id, today=today, now=turn.now(), acting_user=system
        ),
    )


@day_job("billing/overdue_steps", "Write to families who are late", at=time(7, 0), after=(BILL, LATE_FEES))
def take_overdue_steps(turn: Turn) -> Iterator[Step]:
    """Take the steps that are due, family by family."""
    today, system = clock.today(), ensure_system_user()
    arrangements.settle_arrangements(acting_user=system, now=turn.now(), today=today)
    yield from one_by_one(
        overdue.list_steps_due(today=today),
        lambda due: overdue.take_step(due=due, today=today, now=turn.now(), acting_user=system),
    )


@round_job("billing/lost_runs", "Take up billing runs that lost their worker", seconds=300)
def sweep_billing_runs(now: datetime.datetime) -> None:
    """Send workers to runs that lost theirs."""
    runs.sweep(now=now)


@round_job("bank/lost_matching", "Take up matching that lost its worker", seconds=300)
def sweep_matching_runs(now: datetime.datetime) -> None:
    """Send workers to rounds of matching that lost theirs."""
    certain.sweep(now=now)


@round_job("billing/bills_of_sale", "Make bills of sale of what is paid", seconds=60)
def make_bills_of_sale(now: datetime.datetime) -> None:
    """Ask for the bills of sale of purchases that were paid meanwhile."""
    purchases.ask_for_bills_of_sale(purchases=purchases.list_without_bill_of_sale(), now=now)


@round_job("cards/unfinished", "Ask how card payments stand", seconds=60)
def sweep_cards(now: datetime.datetime) -> None:
    """Ask about card payments and refunds without an end, until each has one."""
    card_attempts.sweep(now=now)
    card_refunds.sweep(now=now)


@round_job("cards/payouts", "Read card payouts", seconds=3600)
def read_card_payouts(now: datetime.datetime) -> None:
    """Book what the card processor sent to the bank."""
    processor = processors.current()
    if processor is not None:
        card_payouts.read_payouts(processor=processor, acting_user=ensure_system_user(), now=now, today=clock.today())
