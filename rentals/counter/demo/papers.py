"""The paper of the last two months that are over: statements, receipts, reminders of cleanings, a bill of sale, an estimate."""

import datetime

from billing import payments, purchases, queries, receipts, statements
from billing.models import Charge, Payment
from rentals.agreements.models import Agreement
from rentals.counter import cleanings
from rentals.counter.bench import papers as bench_papers
from rentals.counter.bench.order_queries import get_order_sheet
from rentals.counter.demo.history import Story
from rentals.families.models import Household
from rentals.inventory.models import WorkOrder
from rentals.staff.models import Role

MONTHS = 62
"""So many days back the end of a month may lie whose papers are there."""
STATEMENTS, IN_SPANISH, RECEIPTS = 9, 3, 8


def close_a_month(story: Story, begin: datetime.date, end: datetime.date) -> None:
    """Whoever paid for what was bought gets the bill of sale; of the last two months there are statements and receipts, too."""
    purchases.ask_for_bills_of_sale(purchases=purchases.list_without_bill_of_sale(), now=story.at(min(end, story.today), 11))
    if not 0 < (story.today - end).days <= MONTHS:
        return
    first = end + datetime.timedelta(days=1)
    for household in _billed(begin, end):
        statements.ask_for_statement(
            household=household, begins_on=begin, through_on=end, today=first, now=min(story.at(first, 9), story.now)
        )
    paid = Payment.objects.filter(received_on__range=(begin, end), method__in=["cash", "cheque"], payment_return=None)
    settled = [each for each in paid.select_related("household", "taken_by").order_by("-pk") if _owes_nothing(each.household)]
    for payment in settled[:RECEIPTS]:
        receipts.ask_for_receipt(payment=payment, now=payment.taken_at)


def _billed(begin: datetime.date, end: datetime.date) -> list[Household]:
    """Some families that were billed in these days, of those that read Spanish first."""
    billed = Charge.objects.filter(due_on__range=(begin, end), void_entry=None).values("household")
    families = Household.objects.filter(pk__in=billed).order_by("pk")
    spanish = list(families.filter(language="es")[:IN_SPANISH])
    return spanish + list(families.exclude(language="es")[:STATEMENTS])


def _owes_nothing(household: Household) -> bool:
    return queries.sum_balance(household.pk) == 0


def remind_of_cleanings(story: Story) -> None:
    """Every second cleaning that was due late last month was written of then, of the others every second now."""
    jobs = {"acting_user": story.shop.people[Role.MANAGER.value]}
    for day in (story.today.replace(day=1) - datetime.timedelta(days=8), story.today):
        for due in cleanings.list_reminders_due(today=day)[::2][:6]:
            cleanings.remind(due=due, today=day, now=min(story.at(day, 7), story.now), **jobs)


def pay_what_was_bought(story: Story, agreement: Agreement) -> None:
    """Whoever bought pays what is left at once, and has the bill of sale."""
    owed = queries.sum_balance(agreement.household_id)
    if owed > 0:
        payments.record_payment(
            household=agreement.household,
            method=Payment.Method.TRANSFER,
            amount=owed,
            received_on=story.today,
            acting_user=story.shop.people[Role.BOOKKEEPER.value],
            now=story.now,
        )


def write_estimates(story: Story, orders: list[WorkOrder]) -> None:
    """Families whose estimate waits for an answer were written to."""
    for order in orders:
        sheet = get_order_sheet(order.pk, story.today)
        if sheet is not None and sheet.open_estimate is not None and sheet.holder is not None:
            bench_papers.write_estimate(sheet=sheet, acting_user=story.shop.people[Role.TECHNICIAN.value], now=story.now)
