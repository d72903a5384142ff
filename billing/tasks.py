"""Celery carries ids; where a run stands is in the database, so that any worker may take it up, twice or again."""

import logging

from celery import shared_task

from billing import late_fees, overdue, purchases, runs, verify
from billing.autopay import noticing, running
from billing.banking import certain
from billing.cards import attempts as card_attempts
from billing.cards import payouts as card_payouts
from billing.cards import processors
from billing.cards import refunds as card_refunds
from rentals.runtime import clock
from rentals.staff.operations import ensure_system_user

logger = logging.getLogger(__name__)


@shared_task
def continue_billing_run(*, run_id: int) -> None:
    """Bill what is left of a run; the heartbeat moves with every chunk."""
    while runs.continue_chunk(run_id, now=clock.now()):
        pass


@shared_task
def bill_tonight() -> None:
    """Bill what is due today."""
    runs.bill_tonight(today=clock.today(), now=clock.now())


@shared_task
def sweep_billing_runs() -> None:
    """Send workers to runs that lost theirs."""
    runs.sweep(now=clock.now())


@shared_task
def charge_late_fees() -> None:
    """Charge the late fees that are due."""
    late_fees.charge_late_fees(today=clock.today(), now=clock.now(), acting_user=ensure_system_user())


@shared_task
def take_overdue_steps() -> None:
    """Write to the families that are late."""
    overdue.take_overdue_steps(today=clock.today(), now=clock.now(), acting_user=ensure_system_user())


@shared_task
def make_bills_of_sale() -> None:
    """Ask for the bills of sale of purchases that were paid meanwhile."""
    purchases.ask_for_bills_of_sale(purchases=purchases.list_without_bill_of_sale(), now=clock.now())


@shared_task
def give_autopay_notices() -> None:
    """Tell the families whose debits come up, and settle the runs that the bank's lines met."""
    today, now, system = clock.today(), clock.now(), ensure_system_user()
    running.settle_matched_runs(acting_user=system, now=now)
    running.close_stale_notices(today=today, now=now)
    noticing.give_notices(today=today, now=now, acting_user=system)


@shared_task
def sweep_cards() -> None:
    """Ask about card payments and refunds without an end, until each has one."""
    card_attempts.sweep(now=clock.now())
    card_refunds.sweep(now=clock.now())


@shared_task
def read_card_payouts() -> None:
    """Book what the card processor sent to the bank."""
    processor = processors.current()
    if processor is not None:
        card_payouts.read_payouts(processor=processor, acting_user=ensure_system_user(), now=clock.now(), today=clock.today())


@shared_task
def match_certain_lines(*, run_id: int) -> None:
    """Match by itself what is certain of the bank's open lines."""
    certain.continue_run(run_id, today=clock.today(), now=clock.now())


@shared_task
def sweep_matching_runs() -> None:
    """Send workers to rounds of matching that lost theirs."""
    certain.sweep(now=clock.now())


@shared_task
def verify_books() -> None:
    """Search the books for whatever must never be, and say it where the administrator reads."""
    for check, found in verify.run_checks():
        if found:
            logger.error("the books: %s: %s found", check.title, len(found))
