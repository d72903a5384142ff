"""Every way to write into the books, tried while the month it would write into is closed: nothing lands there.

Each either says that the month is closed, or posts on the first open day. A new module that posts has to be named here.
"""

import re
from decimal import Decimal

import pytest

from billing import (
    batches,
    charges,
    credits,
    deposits,
    ledger,
    payments,
    refunds,
    returns,
    runs,
)
from billing.banking import matching, reconciliation
from billing.banking import operations as banking
from billing.banking.operations import AccountAnswer
from billing.closing import clear, clearing
from billing.fleet import operations as fleet
from billing.models import BankAccount, BankLine, Clearing, ClosedMonth, FleetRemoval, JournalEntry
from billing.taking import operations as taking
from rentals.inventory.models import Instrument
from rentals.runtime.bootstrap import PROJECT
from tests.billing.banking.statements import line, ofx1
from tests.billing.closing.conftest import at
from tests.billing.fleet.conftest import TERMS, buy
from tests.factories import UserFactory

D = Decimal
NOW, TODAY = at(3, 25)
LATER = at(4, 20)
WRITES = re.compile(r"\b(post_entry|post_entries|reverse_entry)\(|INSERT INTO billing_journalentry")


def act(books):
    return {"acting_user": books.clerk, "now": NOW}


def take_payment(books):
    books.pay(books.first.household, "5.00", (NOW, TODAY))


def take_many(books):
    one = batches.PaymentTaken(
        household_id=books.first.household_id, method="cash", amount=D("5.00"), received_on=TODAY, taken_at=NOW
    )
    batches.record_payments(taken=[one], acting_user=books.clerk)


def return_payment(books):
    payments.return_payment(payment=books.at_hand, reason="No funds", returned_on=TODAY, **act(books))


def undo_return(books):
    returns.undo_return(payment=books.returned, reason="Another family's", **act(books))


def deposit(books):
    deposits.make_deposit(payments=[books.at_hand], deposited_on=TODAY, **act(books))


def bill(books):
    books.bill(books.second, 1)


def bill_by_run(books):
    run = runs.start_run(through_on=TODAY, acting_user=books.clerk, now=NOW)
    runs.continue_run(run.pk, now=NOW)


def void(books):
    charges.void_charge(charge=books.first.charges.order_by("pk")[0], reason="Wrong", **act(books))


def credit(books):
    credits.write_credit_note(
        household=books.second.household, agreement=None, kind="adjustment", amount=D(1), reason="Late", on=TODAY, **act(books)
    )


def pay_back(books):
    refunds.make_refund(household=books.ahead, given=refunds.RefundGiven("cash", D(1), TODAY, "Overpaid"), **act(books))


def match_held(books):
    matching.match_line(line=books.line, parts=[matching.Part("hold", books.line.amount)], how="hand", **act(books))


def match_payment(books):
    part = matching.Part("payment", books.line.amount, household_id=books.first.household_id)
    matching.match_line(line=books.line, parts=[part], how="hand", **act(books))


def undo_match(books):
    matching.undo_match(line=books.held_line, **act(books))


def open_bank(books):
    reconciliation.post_opening(account=BankAccount.objects.get(), **act(books))


def clear_by_hand(books):
    chosen = [("2910", item.entry_id) for item in clearing.explain("2910", TODAY).items]
    clear.clear(chosen=chosen, rest_to="3000", note="Old", today=TODAY, **act(books))


def undo_clearing(books):
    clear_by_hand(books)
    clear.undo_clearing(clearing=Clearing.objects.get(), why="Wrong", today=TODAY, **act(books))


def book_fleet(books):
    fleet.book_instruments(terms=TERMS, today=TODAY, **act(books))


def depreciate(books):
    fleet.depreciate_through(month=at(3, 1)[1], today=LATER[1], **act(books))


def lose(books):
    assert fleet.remove_asset(instrument=books.kept, on=TODAY, how="lost", **act(books))


def find_again(books):
    lost = Instrument.objects.get(fleet_asset__removals=FleetRemoval.objects.get())
    assert fleet.put_back_asset(instrument=lost, on=TODAY, reason="found", **act(books))


def count_till(books):
    counted = taking.CountedDown(pieces={100: 1}, cheques=frozenset(), reason="Change missing")
    count = taking.count_down(taking=books.at_hand.taking, counted=counted, **act(books))
    other = UserFactory(role="manager")
    taking.confirm_count(taking=count.taking, acting_user=other, now=NOW)


WAYS = {
    "billing/taking/operations.py": [count_till],
    "billing/payments.py": [take_payment, return_payment],
    "billing/returns.py": [undo_return],
    "billing/batches.py": [take_many],
    "billing/deposits.py": [deposit],
    "billing/charges.py": [bill, void],
    "billing/runs.py": [bill_by_run],
    "billing/credits.py": [credit],
    "billing/banking/matching/making.py": [match_held, match_payment],
    "billing/banking/matching/undoing.py": [undo_match],
    "billing/banking/reconciliation.py": [open_bank],
    "billing/closing/clear.py": [clear_by_hand, undo_clearing],
    "billing/fleet/operations/booking.py": [book_fleet],
    "billing/fleet/operations/depreciation.py": [depreciate],
    "billing/fleet/operations/removal.py": [lose, find_again],
}
ELSEWHERE = {
    "billing/ledger.py",  # the door itself
    "billing/bench_books.py",  # writes a bench's own database
    "billing/autopay/refusing.py",  # tests/billing/autopay/test_refusing.py: a file of a closed month
    "billing/purchases.py",  # tests/counter: the entry's day goes through ledger.open_day like a charge's
}


@pytest.fixture
def ready(books):
    """March with something for every way, then closed; nothing of it was posted on a later day."""
    books.at_hand = books.pay(books.second.household, "3.00", at(3, 20))
    books.returned = books.pay(books.second.household, "4.00", at(3, 20))
    payments.return_payment(payment=books.returned, reason="No funds", returned_on=TODAY, **act(books))
    content = ofx1(line("A1", "8.00", on=TODAY), line("A2", "9.00", on=TODAY), balance="500.00", balance_on=TODAY)
    file = banking.read_file(content=content, file_name="march.ofx", acting_user=books.clerk, now=NOW)
    answers = {each["fingerprints"][0]: AccountAnswer(name="Checking") for each in file.contents["accounts"]}
    banking.take_in(file=file, answers=answers, same_lines=(), acting_user=books.clerk, now=NOW)
    books.line, books.held_line = BankLine.objects.order_by("bank_reference")
    matching.match_line(line=books.held_line, parts=[matching.Part("hold", books.held_line.amount)], how="hand", **act(books))
    buy("NEW-1", "50.00", on=TODAY)
    for month in (1, 2, 3):
        ClosedMonth.objects.create(first_day=at(month, 1)[1], closed_at=NOW, closed_by=books.clerk)
    return books


@pytest.mark.parametrize("way", [way for ways in WAYS.values() for way in ways], ids=lambda way: way.__name__)
def test_nothing_lands_in_a_closed_month(ready, way):
    before = set(JournalEntry.objects.values_list("pk", flat=True))
    try:
        way(ready)
    except ledger.MonthClosedError as refused:
        assert refused.open_from == at(4, 1)[1]
        return
    made = JournalEntry.objects.exclude(pk__in=before)
    assert made.exists()
    assert all(entry.entry_on >= at(4, 1)[1] for entry in made)


def test_every_module_that_posts_is_tried():
    found = {
        str(path.relative_to(PROJECT))
        for folder in ("billing", "rentals", "schools")
        for path in (PROJECT / folder).rglob("*.py")
        if "migrations" not in path.parts and WRITES.search(path.read_text())
    }
    assert found == {*WAYS, *ELSEWHERE}
