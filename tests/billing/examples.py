"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime
from decimal import Decimal
from uuid import UUID, uuid4

from billing import adjustments, charges, chart, credits, deposits, payments, refunds, runs
from billing.autopay import answering
from billing.banking import certain
from billing.banking import operations as banking
from billing.banking.operations import AccountAnswer
from billing.cards import attempts as card_attempts
from billing.cards import payouts as card_payouts
from billing.cards.ports import PayoutTold
from billing.closing import clear, span
from billing.closing import operations as closing
from billing.collecting import arrangements
from billing.collecting.arrangements import Promised
from billing.fleet import operations as fleet
from billing.models import BankLine, BankReconciliation, Charge, ClosingPackage, FleetAsset, Payment
from rentals.agreements import exemptions
from rentals.inventory.models import Instrument
from rentals.runtime import clock
from tests.billing.autopay.bank import returns
from tests.billing.autopay.conftest import set_up
from tests.billing.autopay.test_running import sent_run
from tests.billing.banking.statements import line, ofx1
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory, ItemFactory
from tests.factories import BookkeeperFactory


def charge() -> Charge:
    """The first month's rent of somebody."""
    return charges.charge_period(agreement=AgreementFactory(), period=0, acting_user=BookkeeperFactory(), now=NOON)


def payment() -> Payment:
    """Ten dollars in cash from somebody who owes more."""
    return payments.record_payment(
        household=charge().household,
        method="cash",
        amount=Decimal("10.00"),
        received_on=DAY,
        acting_user=BookkeeperFactory(),
        now=NOON,
    )


def deposit_id() -> int:
    """That payment, brought to the bank."""
    return deposits.make_deposit(payments=[payment()], deposited_on=DAY, acting_user=BookkeeperFactory(), now=NOON).pk


def refund_id() -> int:
    """Ten dollars that somebody paid who owes nothing, paid back."""
    clerk, household = BookkeeperFactory(), HouseholdFactory()
    payments.record_payment(household=household, method="cash", amount=Decimal(10), received_on=DAY, acting_user=clerk, now=NOON)
    given = refunds.RefundGiven("transfer", Decimal(10), DAY, "Overpaid")
    return refunds.make_refund(household=household, given=given, acting_user=clerk, now=NOON).pk


def credit_note_id() -> int:
    """Three dollars credited to somebody who owes more."""
    return credits.write_credit_note(
        household=charge().household, agreement=None, kind="adjustment", amount=Decimal(3), reason="Late delivery", on=DAY,
        acting_user=BookkeeperFactory(), now=NOON,
    ).pk  # fmt: skip


def adjustment_id() -> int:
    """Something asked for that waits, because no office says what goes without approval."""
    asked = adjustments.AdjustmentAsked(HouseholdFactory(), None, "less", Decimal(500), "Late delivery")
    return adjustments.ask_for_adjustment(asked=asked, acting_user=BookkeeperFactory(), now=NOON).pk


def exemption_id() -> int:
    """A certificate of somebody."""
    certificate = exemptions.Certificate("E-1", None, DAY, DAY)
    return exemptions.record_exemption(
        household=HouseholdFactory(), certificate=certificate, acting_user=BookkeeperFactory(), now=NOON
    ).pk


def arrangement_id() -> int:
    """All that somebody owes, promised by today."""
    household, today = charge().household, clock.today()
    owed = arrangements.sum_past_due(household.pk, today=today)
    promised = Promised("promise", "Jo Sample", ((today, owed),), owed)
    clerk = BookkeeperFactory()
    return arrangements.arrange(household=household, promised=promised, acting_user=clerk, now=clock.now(), today=today).pk


def bank_line() -> BankLine:
    """One line of a file that was taken in."""
    bookkeeper = BookkeeperFactory()
    file = banking.read_file(content=ofx1(line("A1", "10.00")), file_name="march.ofx", acting_user=bookkeeper, now=NOON)
    answers = {each["fingerprints"][0]: AccountAnswer(name="Checking") for each in file.contents["accounts"]}
    banking.take_in(file=file, answers=answers, same_lines=(), acting_user=bookkeeper, now=NOON)
    return BankLine.objects.get()


def autopay_run_id() -> int:
    """A run of one debit that left."""
    set_up()
    return sent_run().pk


def answers_id() -> int:
    """A file of returns that was looked at."""
    set_up()
    run = sent_run()
    content = returns(run, (run.entries.get().trace, "R01"))
    return answering.read_answers(content=content, file_name="returns.ach", acting_user=BookkeeperFactory(), now=NOON).pk


def attempt_key() -> UUID:
    """A card payment that waits on the practice page."""
    asked = card_attempts.CardAsked(charge().household, Decimal(30), "http://testserver/cards/")
    attempt = card_attempts.begin_attempt(asked=asked, key=uuid4(), acting_user=BookkeeperFactory(), now=NOON)
    return card_attempts.open_page(attempt=attempt, now=NOON).key


def payout_id() -> int:
    """A payout that does not add up."""
    told = PayoutTold("po_1", DAY, Decimal(5), "USD", ())
    return card_payouts.book_payout(processor="practice", told=told, acting_user=BookkeeperFactory(), now=NOON).pk


def asset_id() -> int:
    """An instrument in the books."""
    terms = fleet.Terms(life_months=60, salvage_share=Decimal(0), tax_class=7)
    Instrument.objects.create(asset_tag="BOOKED-1", item=ItemFactory(), acquired_on=DAY, cost="600.00")
    fleet.book_instruments(terms=terms, acting_user=BookkeeperFactory(), now=NOON, today=DAY)
    return FleetAsset.objects.get(instrument__asset_tag="BOOKED-1").pk


def clearing_id() -> int:
    """An instrument bought before the books began, cleared against what they opened with."""
    asset = FleetAsset.objects.get(pk=asset_id())
    given = {"rest_to": "3000", "note": "Paid before the books", "acting_user": BookkeeperFactory(), "now": NOON}
    return clear.clear(chosen=[(chart.FLEET_TO_CLEAR, asset.entry_id)], today=DAY, **given).pk


def waiver_id() -> int:
    """A check that somebody let pass."""
    month, clerk = span.month_of(DAY), BookkeeperFactory()
    return closing.waive(month=month, code="billed", reason="Known", acting_user=clerk, now=NOON).pk


def closing_package() -> ClosingPackage:
    """What the month was closed with in which somebody was billed."""
    charge()
    today = DAY + datetime.timedelta(days=30)
    month, clerk = span.month_of(DAY.replace(month=1)), BookkeeperFactory()
    return closing.close_month(month=month, acting_user=clerk, now=NOON, today=today)


def reconciliation_id() -> int:
    """A bank account that agreed with its books, both at nothing before its first line."""
    account = bank_line().account
    kept = {"bank": 0, "books": 0, "only_at_bank": 0, "only_in_books": 0, "outstanding": []}
    clerk = BookkeeperFactory()
    return BankReconciliation.objects.create(
        account=account, on=DAY.replace(year=2020), told="typed", saved_at=NOON, saved_by=clerk, **kept
    ).pk


EXAMPLES = {
    "household_id": lambda: charge().household_id,
    "charge_id": lambda: charge().pk,
    "payment_id": lambda: payment().pk,
    "deposit_id": deposit_id,
    "taking_id": lambda: payment().taking_id,
    "refund_id": refund_id,
    "credit_note_id": credit_note_id,
    "adjustment_id": adjustment_id,
    "exemption_id": exemption_id,
    "arrangement_id": arrangement_id,
    "run_id": lambda: runs.start_run(through_on=clock.today(), acting_user=BookkeeperFactory(), now=NOON).pk,
    "account_id": lambda: bank_line().account_id,
    "file_id": lambda: bank_line().statement.file_id,
    "line_id": lambda: bank_line().pk,
    "round_id": lambda: certain.start(acting_user=BookkeeperFactory(), now=NOON).pk,
    "autopay_run_id": autopay_run_id,
    "answers_id": answers_id,
    "attempt_key": attempt_key,
    "charge_key": attempt_key,
    "payout_id": payout_id,
    "card_event.processor": lambda: "practice",
    "asset_id": asset_id,
    "check_code": lambda: "billed",
    "waiver_id": waiver_id,
    "package_id": lambda: closing_package().pk,
    "closing_file.file_id": lambda: closing_package().files.order_by("pk")[0].pk,
    "clearing_code": lambda: "1000",
    "clearing_id": clearing_id,
    "report_code": lambda: "receivables",
    "reconciliation_id": reconciliation_id,
}
