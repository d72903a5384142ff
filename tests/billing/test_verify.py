"""verify_books: clean books are clean, and every invariant broken by hand is named, with the record that breaks it."""

import hashlib
import io
import sys
from decimal import Decimal

import pytest
from django.core.management import call_command
from django.db import transaction

from billing import adjustments, charges, deposits, payments, purchases, verify
from billing.fleet import operations as fleet
from billing.models import BankAccount, BankFile, BankLine, BankStatement, ClosedMonth
from rentals.agreements.models import Agreement
from rentals.documents.models import Document, OutboxMessage
from rentals.inventory.models import Instrument, Location
from rentals.staff.models import RequestKey
from tests.agreements.factories import OfficeFactory
from tests.billing.autopay.conftest import set_up
from tests.billing.autopay.test_running import sent_run
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory, ItemFactory
from tests.factories import BookkeeperFactory

pytestmark = pytest.mark.django_db(transaction=True)

OFF = "SET LOCAL session_replication_role TO replica"
PERIOD = "household_id, agreement_id, kind, period, period_begins_on, period_ends_on, due_on"
MATCH = (
    "INSERT INTO billing_bankmatch (books_id, line_id, deposit_id, amount, how, is_made_for_it, made_at, made_by_id) "
    "SELECT '1010', l.id, d.id, {amount}, 'hand', false, now(), l.user_id "
    "FROM (SELECT min(l.id) AS id, min(u.id) AS user_id FROM billing_bankline l, staff_user u) l, "
    "billing_deposit d WHERE d.kind = 'counter'"
)

# The check that must speak, and how the owner breaks it with the guards switched off.
PROMISE = """
    INSERT INTO billing_arrangement (household_id, kind, amount, owed, promised_by, note, grace_days, made_on, made_at,
                                     made_by_id, ending, why)
    SELECT id, 'promise', 20, 20, 'Jo', '', 3, '2026-02-01', '2026-02-01 12:00+0', (SELECT min(id) FROM staff_user), '', ''
      FROM families_household ORDER BY id LIMIT 1"""
NIGHT = """
    INSERT INTO schools_night (school_id, "on", begins_at, ends_at, room, expected_families, location_id, notes, state, version,
                               made_at, made_by_id)
    SELECT -1, '2026-03-02', '17:30', '20:00', 'Gym', 40, 'main', '', 'planned', 1, now(), min(id) FROM staff_user"""
BREAKS = {
    "repairs_as_agreed": [
        "INSERT INTO inventory_workorder (number, instrument_id, kind, problem_kind, problem, state, state_since, outcome, "
        "paid_by, opened_at, opened_by_id, closed_at, closed_by_id, work_done, version) "
        "SELECT 'W-99999', 1, 'repair', '', 'x', 'done', now(), 'repaired', 'shop', now(), min(id), now(), min(id), 'x', 1 "
        "FROM staff_user",
        "INSERT INTO billing_repaircharge (work_order_id, charge_id) "
        "SELECT (SELECT id FROM inventory_workorder WHERE number = 'W-99999'), min(id) FROM billing_charge",
    ],
    "instalments_add_up": [PROMISE],
    "paused_means_paused": [
        PROMISE,
        "INSERT INTO billing_instalment (arrangement_id, position, due_on, amount) "
        "SELECT id, 1, '2026-02-20', 20 FROM billing_arrangement",
        "INSERT INTO billing_overduenotice (household_id, episode_on, step, rule_id, made_at) "
        "SELECT household_id, '2026-01-01', 1, (SELECT min(id) FROM billing_overduestep), '2026-02-10 12:00+0' "
        "FROM billing_arrangement",
    ],
    "entries_balance": ["UPDATE billing_posting SET amount = amount + 1 WHERE account_id = '1010'"],
    "receivables_name_household": ["UPDATE billing_posting SET household_id = NULL WHERE account_id = '1200'"],
    "reversals_mirror": ["UPDATE billing_posting SET account_id = '6900' WHERE account_id = '4300' AND amount > 0"],
    "guards_stand": ["ALTER TABLE billing_posting DISABLE TRIGGER posting_kept"],
    "sources_stand": ["UPDATE billing_journalentry SET source = 'wrong/' || id WHERE kind = 'payment'"],
    "closed_months_stand": ["UPDATE billing_journalentry SET entry_on = '2026-01-20' WHERE kind = 'deposit'"],
    "month_totals_stand": ["UPDATE billing_monthtotal SET amount = amount + 1"],
    "reopenings_stand": [
        "INSERT INTO billing_monthreopening "
        "(first_day, closed_at, closed_by_id, entry_count, debits, reason, reopened_at, reopened_by_id) "
        "SELECT first_day, closed_at, closed_by_id, entry_count, debits, 'x', now(), closed_by_id FROM billing_closedmonth",
    ],
    "clearings_come_to_zero": [
        "WITH c AS (INSERT INTO billing_clearing (cleared_on, note, made_at, made_by_id) "
        "SELECT now(), 'x', now(), min(id) FROM staff_user RETURNING id) "
        "INSERT INTO billing_cleareditem (clearing_id, entry_id, account_id) "
        "SELECT c.id, p.entry_id, p.account_id FROM c, (SELECT * FROM billing_posting LIMIT 1) p",
    ],
    "closing_files_unchanged": [
        "ALTER TABLE billing_closingfile DROP CONSTRAINT closing_file_sha256_is_of_content",
        "WITH p AS (INSERT INTO billing_closingpackage (first_day, number, closed_at, closed_by_id, checklist, document_id) "
        "SELECT '2026-01-01', 1, now(), min(id), '[]', -1 FROM staff_user RETURNING id) "
        "INSERT INTO billing_closingfile (package_id, name, content, sha256) SELECT id, 'x.csv', 'a', repeat('0', 64) FROM p",
    ],
    "reconciliations_stand": [
        'INSERT INTO billing_bankreconciliation (account_id, "on", told, bank, books, only_at_bank, only_in_books, '
        "outstanding, saved_at, saved_by_id) "
        "SELECT min(a.id), (SELECT min(first_day) FROM billing_closedmonth), 'typed', 7, 7, 0, 0, '[]', now(), min(u.id) "
        "FROM billing_bankaccount a, staff_user u",
    ],
    "open_items_stand": ["UPDATE billing_openitem SET open = open + 1"],
    "one_charge_per_period": [
        "DROP INDEX rent_charge_once_per_period",
        f"INSERT INTO billing_charge ({PERIOD}, entry_id) SELECT {PERIOD}, -id FROM billing_charge WHERE kind = 'rent'",
    ],
    "periods_from_anchor": ["UPDATE billing_charge SET period_begins_on = '2026-01-30' WHERE kind = 'rent'"],
    "one_place_at_a_time": [
        "ALTER TABLE inventory_custody DROP CONSTRAINT instrument_in_one_place",
        "DROP INDEX custody_one_open",
        *[
            "INSERT INTO inventory_custody (instrument_id, place, location_id, began_at, reason, moved_by_id) "
            f"SELECT i.id, '{place}', l.code, now(), 'Test', u.id "
            "FROM inventory_instrument i, inventory_location l, staff_user u LIMIT 1"
            for place in ("shelf", "bench")
        ],
    ],
    "one_agreement_at_a_time": [
        "ALTER TABLE agreements_agreementunit DROP CONSTRAINT instrument_on_one_agreement",
        "INSERT INTO agreements_agreementunit (agreement_id, instrument_id, role, began_at) "
        "SELECT a.id, i.id, 'rented', now() FROM agreements_agreement a, inventory_instrument i",
    ],
    "allocations_within_payments": ["UPDATE billing_payment SET amount = 1 WHERE deposit_id IS NOT NULL"],
    "allocations_within_lines": ["UPDATE billing_allocation SET amount = amount + 1"],
    "credit_on_good_money": [
        "UPDATE billing_allocation SET payment_id = (SELECT payment_id FROM billing_paymentreturn) WHERE payment_id IS NOT NULL"
    ],
    "credit_used_was_earned": ["UPDATE billing_allocation SET made_at = made_at + interval '1 day'"],
    "credit_shortfalls_are_flagged": [
        "CREATE OR REPLACE FUNCTION billing_chain_rent_paid(agreement bigint) RETURNS numeric LANGUAGE sql AS 'SELECT 0.0'"
    ],
    "attempts_paid_once": [
        "INSERT INTO billing_cardattempt (key, processor, household_id, amount, state, session, charge, page_url, "
        "return_url, note, started_at, started_by_id, ended_at, payment_id, look_why) "
        "SELECT gen_random_uuid(), 'practice', household_id, 999, 'succeeded', '', '', '', '', '', now(), taken_by_id, "
        "now(), id, '' FROM billing_payment LIMIT 1"
    ],
    "cards_on_the_way": ["UPDATE billing_posting SET account_id = '1020' WHERE account_id = '1000'"],
    "takings_as_counted": [
        "INSERT INTO billing_takingcount (taking_id, pieces, counted_cash, taken_cash, paid_back, banked, difference, "
        "cheque_count, cheque_sum, reason, needs_second, counted_at, counted_by_id, closed_at, closed_by_id, reopen_reason) "
        "SELECT id, '{}', 99, 99, 0, 0, 0, 0, 0, '', false, now(), person_id, now(), person_id, '' FROM billing_taking LIMIT 1"
    ],
    "payments_in_own_takings": ["UPDATE billing_taking SET person_id = -person_id"],
    "charges_leave_once": [
        "ALTER TABLE billing_autopaycover DROP CONSTRAINT autopay_charge_once_an_attempt",
        "INSERT INTO billing_autopaycover (entry_id, charge_id, amount, attempt, is_open) "
        "SELECT entry_id, charge_id, amount, attempt, is_open FROM billing_autopaycover",
    ],
    "debits_are_payments": ["UPDATE billing_autopayentry SET amount = amount - 1"],
    "debited_as_told": ["UPDATE billing_autopayentry SET amount = amount + 100"],
    "returns_take_back": [
        "DROP INDEX autopay_entry_once_a_retry",
        "INSERT INTO billing_autopayentry (run_id, authorisation_id, household_id, original_id, retry, amount, entry_class, "
        "state, dropped_why, trace, routing_number, last_four) SELECT run_id, authorisation_id, household_id, id, 1, amount, "
        "entry_class, 'open', '', '', routing_number, last_four FROM billing_autopayentry, generate_series(1, 3)",
    ],
    "refused_files_leave_nothing": ["UPDATE billing_autopayentry SET state = 'refused'"],
    "credit_notes_within": ["UPDATE billing_creditnote SET amount = 0.01"],
    "credits_equal_entries": ["UPDATE billing_creditnote SET kind = 'write_off'"],
    "adjustments_as_decided": ["UPDATE billing_adjustment SET amount = amount + 1"],
    "late_fees_for_rent": ["UPDATE billing_charge SET late_for_id = id WHERE late_for_id IS NOT NULL"],
    "purchases_stand": ["UPDATE billing_purchase SET price = price + 1, discount = 1"],
    "references_stand": ["UPDATE billing_posting SET household_id = -1 WHERE household_id IS NOT NULL"],
    "control_account_equals_open_items": ["DELETE FROM billing_paymentreturn"],
    "lines_equal_entries": ["UPDATE billing_chargeline SET amount = amount + 1"],
    "deposits_after_receipts": ["UPDATE billing_payment SET received_on = '2030-01-01' WHERE method = 'cash'"],
    "deposits_are_their_payments": ["UPDATE billing_payment SET deposit_id = NULL"],
    "fleet_equals_ledger": ["UPDATE billing_fleetasset SET cost = cost + 1"],
    "depreciation_follows_schedule": ["UPDATE billing_fleetdepreciation SET accumulated = accumulated + 1"],
    "somewhere_now": [
        "INSERT INTO inventory_custody (instrument_id, place, location_id, began_at, ended_at, reason, moved_by_id) "
        "SELECT i.id, 'shelf', 'main', '2026-01-01', '2026-01-02', 'Received', (SELECT min(id) FROM staff_user) "
        "FROM inventory_instrument i"
    ],
    "rented_are_with_their_family": [
        "INSERT INTO agreements_agreementunit (agreement_id, instrument_id, role, began_at) "
        "SELECT (SELECT min(id) FROM agreements_agreement), i.id, 'rented', '2026-01-01' FROM inventory_instrument i"
    ],
    "night_sign_ups_are_agreements": [
        NIGHT,
        "INSERT INTO agreements_nightsignup (id, night_id, device, sequence, made_at, received_at, sent_by_id, taken_by_id, "
        "was_offline, pack, state, reason, why, differs, agreement_id, discard_reason, pays_later) "
        "SELECT gen_random_uuid(), n.id, "
        "gen_random_uuid(), 1, now(), now(), n.made_by_id, n.made_by_id, true, '', 'arrived', '', '', '[]', a.id, '', false "
        "FROM schools_night n, (SELECT min(id) AS id FROM agreements_agreement) a",
    ],
    "night_money_is_with_its_taker": [
        NIGHT,
        "INSERT INTO agreements_nightsignup (id, night_id, device, sequence, made_at, received_at, sent_by_id, taken_by_id, "
        "was_offline, pack, state, reason, why, differs, agreement_id, discard_reason, pays_later) "
        "SELECT gen_random_uuid(), n.id, "
        "gen_random_uuid(), 1, now(), now(), u.id, u.id, true, '', 'arrived', '', '', '[]', a.id, '', false "
        "FROM schools_night n, "
        "(SELECT max(id) AS id FROM staff_user WHERE id NOT IN (SELECT person_id FROM billing_taking)) u, "
        "(SELECT min(id) AS id FROM agreements_agreement) a",
        'INSERT INTO agreements_lifeevent (agreement_id, kind, "on", at, by_id, note, detail) SELECT s.agreement_id, '
        "'first_payment', '2026-03-02', now(), s.sent_by_id, '', jsonb_build_object('payment', p.id) FROM "
        "agreements_nightsignup s, (SELECT min(id) AS id FROM billing_payment WHERE taking_id IS NOT NULL) p",
    ],
    "who_pays_later_gave_nothing": [
        NIGHT,
        "INSERT INTO agreements_nightsignup (id, night_id, device, sequence, made_at, received_at, sent_by_id, taken_by_id, "
        "was_offline, pack, state, reason, why, differs, agreement_id, discard_reason, pays_later) "
        "SELECT gen_random_uuid(), n.id, "
        "gen_random_uuid(), 1, now(), now(), u.id, u.id, true, '', 'arrived', '', '', '[]', a.id, '', true "
        "FROM schools_night n, "
        "(SELECT max(id) AS id FROM staff_user WHERE id NOT IN (SELECT person_id FROM billing_taking)) u, "
        "(SELECT min(id) AS id FROM agreements_agreement) a",
        'INSERT INTO agreements_lifeevent (agreement_id, kind, "on", at, by_id, note, detail) SELECT s.agreement_id, '
        "'first_payment', '2026-03-02', now(), s.sent_by_id, '', jsonb_build_object('payment', p.id) FROM "
        "agreements_nightsignup s, (SELECT min(id) AS id FROM billing_payment WHERE taking_id IS NOT NULL) p",
    ],
    "promises_stand": [
        "INSERT INTO agreements_unitpromise (agreement_id, item_id, why, made_at) "
        "SELECT id, item_id, 'Not there', now() FROM agreements_agreement WHERE ended_on IS NOT NULL LIMIT 1"
    ],
    "night_units_went_where_they_say": [
        NIGHT,
        "INSERT INTO schools_nightunit (night_id, instrument_id, loaded_at, loaded_by_id, ended_at, ended_by_id, outcome) "
        "SELECT n.id, i.id, now(), n.made_by_id, now(), n.made_by_id, 'given' FROM schools_night n, inventory_instrument i",
    ],
    "held_are_kept_aside": [
        "INSERT INTO inventory_hold (instrument_id, reason, began_at, made_by_id) "
        "SELECT i.id, 'Test', '2026-01-01', (SELECT min(id) FROM staff_user) FROM inventory_instrument i"
    ],
    "sales_stand": [
        "INSERT INTO billing_fleetsale (instrument_id, household_id, buyer, sold_on, price, tax, charge_id, made_at, made_by_id, "
        "undone_because) SELECT i.id, c.household_id, '', '2026-02-01', 1, 0, c.id, now(), (SELECT min(id) FROM staff_user), '' "
        "FROM inventory_instrument i, (SELECT * FROM billing_charge ORDER BY id LIMIT 1) c"
    ],
    "documents_unchanged": [
        "ALTER TABLE documents_document DROP CONSTRAINT document_sha256_is_of_content",
        "UPDATE documents_document SET content = 'forged' WHERE state = 'made'",
    ],
    "agreements_as_signed": ["UPDATE agreements_agreement SET monthly_rent = 1"],
    "bank_lines_to_the_cent": [MATCH.format(amount="29.99")],
    "split_deposits_come_to_nothing": [
        "UPDATE billing_journalentry SET source = 'bank-split/' || (SELECT min(entry_id) FROM billing_deposit) || '/1/0' "
        "WHERE kind = 'payment' AND id = (SELECT min(id) FROM billing_journalentry WHERE kind = 'payment')",
        MATCH.format(amount="30")
        .replace("deposit_id", "entry_id")
        .replace("d.id", "(SELECT min(e.id) FROM billing_journalentry e WHERE e.source LIKE 'bank-split/%')"),
    ],
    "undone_returns_name_their_undoing": [
        "UPDATE billing_paymentreturn SET payment_id = NULL, undone_payment_id = payment_id, undone_at = now(), "
        "undone_by_id = made_by_id, undo_entry_id = entry_id"
    ],
    "leaves_once": [
        "ALTER TABLE documents_outboxmessage DROP CONSTRAINT documents_outboxmessage_key_key",
        "INSERT INTO documents_outboxmessage SELECT (jsonb_populate_record(m, '{\"id\": 987654}')).* "
        "FROM documents_outboxmessage m WHERE key = 'test/1'",
    ],
    "requests_answered": ["UPDATE staff_requestkey SET answer = NULL"],
    "numbers_without_gaps": ["UPDATE staff_numberseries SET last_number = last_number + 1"],
}


@pytest.fixture
def books():
    """One of everything that the checks look at."""
    clerk, agreement = BookkeeperFactory(), AgreementFactory()
    charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=NOON)
    fee = charges.charge_fee(household=agreement.household, on=DAY, description="Late fee", amount=3, acting_user=clerk, now=NOON)
    charges.void_charge(charge=fee, reason="Never mind", acting_user=clerk, now=NOON)
    paid = payments.record_payment(
        household=agreement.household, method="cash", amount=30, received_on=DAY, acting_user=clerk, now=NOON,
        request_key="6f1f4d8e-1f0b-4a52-9a43-0a6a2a8e0b11",
    )  # fmt: skip
    deposits.make_deposit(payments=[paid], deposited_on=DAY, acting_user=clerk, now=NOON)
    bounced = payments.record_payment(
        household=HouseholdFactory(), method="cash", amount=50, received_on=DAY, acting_user=clerk, now=NOON
    )
    payments.return_payment(payment=bounced, reason="Other", returned_on=DAY, acting_user=clerk, now=NOON)
    ClosedMonth.objects.create(
        first_day=DAY.replace(month=1, day=1), closed_at=NOON, closed_by=clerk, entry_count=1, debits="26.65"
    )
    return clerk


@pytest.fixture
def surroundings(books):
    """What other rooms keep: an instrument, a document, a message, a bank line."""
    location = Location.objects.create(
        code="main", name="Main Street", street="1", city="Springfield", state="IL", postal_code="62704"
    )
    Instrument.objects.create(
        asset_tag="TAG-1", serial_number="S1", item=ItemFactory(), acquired_on=DAY, cost="100.00", grade="new"
    )
    buy_one(books)
    credit_one(books)
    set_up()
    sent_run()
    terms = fleet.Terms(life_months=60, salvage_share=0, tax_class=7)
    fleet.book_instruments(terms=terms, acting_user=books, now=NOON, today=DAY)
    fleet.depreciate_month(month=DAY.replace(day=1), acting_user=books, now=NOON, today=DAY.replace(month=4))
    document = Document.objects.create(
        key="test/1", kind="receipt", about="payment/1", title="Receipt", payload={}, state="made", content=b"%PDF",
        sha256=hashlib.sha256(b"%PDF").hexdigest(), asked_at=NOON, made_at=NOON,
    )  # fmt: skip
    OutboxMessage.objects.create(
        key="test/1", kind="receipt", about="payment/1", channel="mail", to_name="Jo", to_address="jo@example.com",
        subject="Receipt", body="Thank you.", document=document, queued_at=NOON,
    )  # fmt: skip
    return location


def credit_one(clerk):
    """A family is late, pays a fee for it, and is given a part of its rent."""
    OfficeFactory()
    agreement = AgreementFactory()
    acts = {"acting_user": clerk, "now": NOON}
    rent = charges.charge_period(agreement=agreement, period=0, **acts)
    charges.charge_fee(
        household=agreement.household, on=DAY, description="Late fee", amount=5, late_for=rent, agreement=agreement, **acts
    )
    asked = adjustments.AdjustmentAsked(agreement.household, agreement, "less", Decimal("4.00"), "Late delivery")
    adjustments.ask_for_adjustment(asked=asked, **acts)


def buy_one(clerk):
    """A family buys its flute: 20.00 of credit from a month's rent, the rest still owed."""
    agreement = AgreementFactory()
    charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=NOON)
    payments.record_payment(
        household=agreement.household, method="cash", amount=Decimal("26.65"), received_on=DAY, acting_user=clerk, now=NOON
    )
    with transaction.atomic():
        purchases.record_purchase(
            agreement=agreement,
            instrument=Instrument.objects.get(),
            price=purchases.price_own(agreement, on=DAY),
            today=DAY,
            acting_user=clerk,
            now=NOON,
        )
        Agreement.objects.filter(pk=agreement.pk).update(ended_on=DAY, end_reason="bought")


@pytest.fixture
def bank_line(books):
    account = BankAccount.objects.create(name="Bank", last_four="1234", fingerprint="f", books_id="1010", takes_deposits=True)
    file = BankFile.objects.create(sha256="s", file_name="march.ofx", contents={}, read_at=NOON, read_by=books, taken_at=NOON)
    statement = BankStatement.objects.create(
        account=account, file=file, begins_on=DAY, ends_on=DAY, line_count=1, new_line_count=1,
        imported_at=NOON, imported_by=books,
    )  # fmt: skip
    return BankLine.objects.create(statement=statement, account=account, bank_reference="r", posted_on=DAY, amount=30)


def spoken():
    return {check.find.__name__: breaches for check, breaches in verify.run_checks() if breaches}


class TestRunChecks:
    def test_finds_nothing_in_clean_books(self, books, surroundings, bank_line, owner_cursor):
        owner_cursor.execute(MATCH.format(amount="30"))
        assert spoken() == {}

    def test_every_check_is_broken_below(self):
        assert {check.find.__name__ for check in verify.CHECKS} == set(BREAKS)

    def test_every_invariant_of_the_house_has_a_check(self):
        assert {check.invariant for check in verify.CHECKS} == set(range(1, 13))

    def test_says_which(self, books, surroundings, bank_line, owner_cursor):
        # Each in a transaction of the owner that is rolled back, DDL too. The check reads on the same connection.
        assert RequestKey.objects.exists()
        silent = []
        for name, statements in BREAKS.items():
            with owner_cursor.connection.transaction(force_rollback=True):
                owner_cursor.execute(OFF)
                for statement in statements:
                    owner_cursor.execute(statement)
                silent += [] if said(owner_cursor, name) else [name]
            assert not said(owner_cursor, name), name
        assert silent == []


def said(cursor, name):
    """Run one check on another connection than Django's: what an owner broke is not committed."""
    from unittest.mock import patch

    def told(sql, parameters=None):
        return [row[0] for row in cursor.execute(f"SELECT * FROM ({sql}) b LIMIT 20", parameters).fetchall()]

    find = next(check.find for check in verify.CHECKS if check.find.__name__ == name)
    with patch.object(sys.modules[find.__module__], "told", told):
        return find()


class TestCommand:
    def test_prints_a_line_for_each_check(self, books):
        out = io.StringIO()
        call_command("verify_books", stdout=out)
        assert out.getvalue().count("ok    ") == len(verify.CHECKS)
        assert f"All {len(verify.CHECKS)} checks hold." in out.getvalue()

    def test_ends_with_1_and_names_the_record(self, books, owner_cursor):
        owner_cursor.execute("UPDATE staff_numberseries SET last_number = 9 WHERE name = 'payment'")
        out, err = io.StringIO(), io.StringIO()
        with pytest.raises(SystemExit) as ended:
            call_command("verify_books", stdout=out, stderr=err)
        assert ended.value.code == 1
        assert "9 numbers were given out in the series payment, but 2 of them are in use" in out.getvalue()
        assert f"1 of {len(verify.CHECKS)} checks found a breach." in err.getvalue()
