"""Writing off and later recovery, to the cent: what is posted, what stays, and that rent paid after all earns its credit."""

import datetime
import uuid
from decimal import Decimal

import pytest

from billing import charges, chart, credits, payments, queries, verify, write_offs
from billing.models import Account, CreditNote, Payment
from billing.payments import PaymentGiven
from rentals.agreements.models import Agreement, AgreementHold, AgreementUnit, LifeEvent
from rentals.agreements.moves import MoveNotPossibleError
from rentals.inventory.models import Custody
from rentals.inventory.operations import move_instrument
from tests.agreements.factories import OfficeFactory
from tests.billing.factories import DAY, NOON, AgreementFactory
from tests.factories import ManagerFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory

D = Decimal


@pytest.fixture
def mina(db):
    OfficeFactory()
    return ManagerFactory()


def recall(agreement, mina):
    AgreementHold.objects.create(
        agreement=agreement, kind="recall", from_on=DAY, reason="Unpaid since January", made_at=NOON, made_by=mina
    )


@pytest.fixture
def recalled(agreement, bookkeeper, mina):
    """Two months owed, 53.30 together, recalled for it; the instrument is with the family."""
    instrument = InstrumentFactory(place="family", place__household=agreement.household)
    AgreementUnit.objects.create(agreement=agreement, instrument=instrument, began_at=agreement.signed_at)
    for period in range(2):
        charges.charge_period(agreement=agreement, period=period, acting_user=bookkeeper, now=NOON)
    recall(agreement, mina)
    return agreement


@pytest.fixture
def written_off(recalled, mina):
    return write_offs.write_off_agreement(agreement=recalled, amount=D("53.30"), reason="Moved away", acting_user=mina, now=NOON)


def balances(*codes):
    return [sum((p.amount for p in Account.objects.get(code=code).postings.all()), D("0.00")) for code in codes]


def cash(amount):
    return PaymentGiven("cash", D(amount), DAY)


def breaches():
    return [found for check, found in verify.run_checks() if found]


class TestWriteOffAgreement:
    def test_posts_bad_debt_and_ends_what_was_recalled(self, written_off, recalled):
        assert balances(chart.BAD_DEBT, chart.RECEIVABLES) == [D("53.30"), D("0.00")]
        recalled.refresh_from_db()
        assert (recalled.end_reason, recalled.ended_on) == ("written_off", DAY)
        assert Custody.objects.get(instrument=recalled.units.get().instrument, ended_at=None).place == "lost"
        assert LifeEvent.objects.get(agreement=recalled).note == "$53.30: Moved away"
        assert breaches() == []

    def test_a_loaner_the_family_kept_is_lost_and_what_is_in_the_shop_stays_there(self, recalled, mina):
        rented, loaner = recalled.units.get().instrument, InstrumentFactory(place="family", place__household=recalled.household)
        AgreementUnit.objects.create(agreement=recalled, instrument=loaner, role="loaner", began_at=recalled.signed_at)
        shop = LocationFactory()
        move_instrument(instrument=rented, place="bench", location=shop, reason="Pads", acting_user=mina, now=NOON)
        write_offs.write_off_agreement(agreement=recalled, amount=D("53.30"), reason="Moved away", acting_user=mina, now=NOON)
        places = {each.instrument: each.place for each in Custody.objects.filter(ended_at=None)}
        assert (places[rented], places[loaner]) == ("bench", "lost")
        assert not recalled.units.filter(ended_at=None).exists()

    def test_earns_no_rental_credit(self, written_off, recalled):
        assert queries.sum_rental_credit(recalled.pk).rent_paid == D("0.00")

    def test_an_ended_one_stays_as_it_ended(self, recalled, mina):
        Agreement.objects.filter(pk=recalled.pk).update(ended_on=DAY, end_reason="returned")
        write_offs.write_off_agreement(agreement=recalled, amount=D("53.30"), reason="Gone", acting_user=mina, now=NOON)
        recalled.refresh_from_db()
        assert recalled.end_reason == "returned"

    def test_leaves_what_the_family_owes_elsewhere(self, recalled, mina, bookkeeper):
        other = AgreementFactory(household=recalled.household)
        charges.charge_period(agreement=other, period=0, acting_user=bookkeeper, now=NOON)
        write_offs.write_off_agreement(agreement=recalled, amount=D("53.30"), reason="Gone", acting_user=mina, now=NOON)
        assert queries.sum_open_lines(recalled.household_id, agreement_id=other.pk) == D("26.65")
        assert queries.sum_balance(recalled.household_id) == D("26.65")

    def test_refuses_a_running_one_and_says_what_is_possible(self, agreement, mina):
        with pytest.raises(MoveNotPossibleError, match="recall it for non-payment"):
            write_offs.write_off_agreement(agreement=agreement, amount=D("1.00"), reason="Gone", acting_user=mina, now=NOON)

    def test_refuses_another_amount_than_was_shown(self, recalled, mina):
        with pytest.raises(write_offs.DebtChangedError, match=r"\$53\.30 is open, not \$50\.00"):
            write_offs.write_off_agreement(agreement=recalled, amount=D("50.00"), reason="Gone", acting_user=mina, now=NOON)

    def test_refuses_nothing(self, agreement, mina):
        recall(agreement, mina)
        with pytest.raises(write_offs.NothingToWriteOffError):
            write_offs.write_off_agreement(agreement=agreement, amount=D("0.00"), reason="Gone", acting_user=mina, now=NOON)

    def test_sent_twice_is_made_once(self, recalled, mina):
        key = uuid.uuid4()
        notes = [
            write_offs.write_off_agreement(
                agreement=recalled, amount=D("53.30"), reason="Gone", acting_user=mina, now=NOON, request_key=key
            )
            for _ in range(2)
        ]
        assert (notes[0], CreditNote.objects.count()) == (notes[1], 1)


class TestWriteOffHousehold:
    def test_takes_in_goods_and_fees(self, agreement, bookkeeper, mina):
        household = agreement.household
        Agreement.objects.filter(pk=agreement.pk).update(ended_on=DAY, end_reason="returned")
        charges.charge_fee(household=household, on=DAY, description="Fee", amount=D("7.00"), acting_user=bookkeeper, now=NOON)
        note = write_offs.write_off_household(household=household, amount=D("7.00"), reason="Gone", acting_user=mina, now=NOON)
        assert (note.agreement, queries.sum_balance(household.pk)) == (None, D("0.00"))

    def test_refuses_a_family_that_still_rents(self, recalled, mina):
        with pytest.raises(write_offs.StillRentingError, match=recalled.number):
            write_offs.write_off_household(
                household=recalled.household, amount=D("53.30"), reason="Gone", acting_user=mina, now=NOON
            )


class TestTakeRecovery:
    # What is written off is 53.30: rent 20.00 + tax 1.65 + protection 5.00, twice.
    @pytest.mark.parametrize(
        ("amount", "rent_paid", "left", "balance"),
        [
            ("0.01", "0.01", "53.29", "0.00"),
            ("20.00", "20.00", "33.30", "0.00"),
            ("26.65", "20.00", "26.65", "0.00"),
            ("40.00", "33.35", "13.30", "0.00"),
            ("53.30", "40.00", "0.00", "0.00"),
            ("60.00", "40.00", "0.00", "-6.70"),
        ],
    )
    def test_worked_table(self, written_off, recalled, bookkeeper, amount, rent_paid, left, balance):
        write_offs.take_recovery(credit_note=written_off, given=cash(amount), acting_user=bookkeeper, now=NOON)
        assert queries.sum_rental_credit(recalled.pk).rent_paid == D(rent_paid)
        assert sum((n.amount for n in write_offs.list_write_offs(recalled.household)), D("0.00")) == D(left)
        assert balances(chart.BAD_DEBT, chart.RECEIVABLES, chart.UNDEPOSITED) == [D(left), D(balance), D(amount)]
        assert breaches() == []

    def test_stands_in_the_timeline(self, written_off, recalled, bookkeeper):
        write_offs.take_recovery(credit_note=written_off, given=cash("20.00"), acting_user=bookkeeper, now=NOON)
        event = LifeEvent.objects.get(agreement=recalled, kind="recovered")
        assert event.note == "$20.00 paid, P-000001; $33.30 stays written off"

    def test_leaves_other_debts_of_the_family_alone(self, recalled, mina, bookkeeper):
        other = AgreementFactory(household=recalled.household)
        note = write_offs.write_off_agreement(agreement=recalled, amount=D("53.30"), reason="Gone", acting_user=mina, now=NOON)
        charges.charge_period(agreement=other, period=0, acting_user=bookkeeper, now=NOON)
        write_offs.take_recovery(credit_note=note, given=cash("30.00"), acting_user=bookkeeper, now=NOON)
        assert queries.sum_open_lines(recalled.household_id, agreement_id=other.pk) == D("26.65")
        assert write_offs.list_write_offs(recalled.household).get().amount == D("23.30")

    def test_the_money_that_bounces_is_owed_again_and_may_be_written_off_again(self, written_off, recalled, bookkeeper, mina):
        payment = write_offs.take_recovery(credit_note=written_off, given=cash("20.00"), acting_user=bookkeeper, now=NOON)
        payments.return_payment(payment=payment, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        assert queries.sum_balance(recalled.household_id) == D("20.00")
        write_offs.write_off_agreement(agreement=recalled, amount=D("20.00"), reason="Gone", acting_user=mina, now=NOON)
        assert (queries.sum_balance(recalled.household_id), breaches()) == (D("0.00"), [])

    def test_refuses_an_adjustment(self, written_off, recalled, bookkeeper):
        note = credits.write_credit_note(
            household=recalled.household, agreement=None, kind="adjustment", amount=D(5), reason="Sorry", on=DAY,
            acting_user=bookkeeper, now=NOON,
        )  # fmt: skip
        with pytest.raises(write_offs.NotWrittenOffError):
            write_offs.take_recovery(credit_note=note, given=cash("5.00"), acting_user=bookkeeper, now=NOON)

    def test_sent_twice_takes_one_payment(self, written_off, bookkeeper):
        key = uuid.uuid4()
        made = [
            write_offs.take_recovery(
                credit_note=written_off, given=cash("5.00"), acting_user=bookkeeper, now=NOON, request_key=key
            )
            for _ in range(2)
        ]
        assert (made[0], Payment.objects.count()) == (made[1], 1)

    def test_refuses_a_note_of_yesterday_that_was_paid_since(self, written_off, bookkeeper):
        write_offs.take_recovery(credit_note=written_off, given=cash("60.00"), acting_user=bookkeeper, now=NOON)
        later = NOON + datetime.timedelta(days=1)
        with pytest.raises(write_offs.NotWrittenOffError):
            write_offs.take_recovery(credit_note=written_off, given=cash("5.00"), acting_user=bookkeeper, now=later)
