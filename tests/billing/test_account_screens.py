"""The screens of a family's account: what they say, what they refuse, who may open them."""

import re
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from billing import adjustments, charges, credits, payments, queries, refunds
from billing.models import Adjustment, Charge, CreditNote, Payment, Refund
from rentals.agreements.models import Agreement, PayerShare, TaxExemption
from rentals.documents.models import Document
from rentals.families.models import Guardian
from tests.agreements.factories import OfficeFactory
from tests.billing.factories import DAY, NOON, AgreementFactory, GuardianFactory, PlanFactory, PlanVersionFactory
from tests.factories import ManagerFactory

D = Decimal


@pytest.fixture
def owing(agreement, bookkeeper):
    """A family that owes 26.65; an office whose limit is 50.00."""
    OfficeFactory()
    charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
    return agreement.household


@pytest.fixture
def ahead(owing, bookkeeper):
    """The same family, 13.35 ahead."""
    payments.record_payment(household=owing, method="cash", amount=D("40.00"), received_on=DAY, acting_user=bookkeeper, now=NOON)
    return owing


def text(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def key():
    return str(uuid.uuid4())


class TestAdjustments:
    def sent(self, **changes):
        given = {"direction": "less", "amount": "10.00", "agreement": "", "reason": "Late delivery", "request_key": key()}
        return {**given, **changes}

    def test_within_the_limit_it_is_on_the_account(self, client_as, owing):
        answer = client_as("specialist").post(reverse("adjustment_ask", args=[owing.pk]), self.sent(), follow=True)
        assert "$10.00 less is on the family’s account" in text(answer) or "on the family&#x27;s account" in text(answer)
        assert queries.sum_balance(owing.pk) == D("16.65")
        assert "C-000001" in text(answer)

    def test_above_it_waits_and_the_manager_sees_how_many(self, client_as, owing):
        page = client_as("specialist").post(reverse("adjustment_ask", args=[owing.pk]), self.sent(amount="60.00"), follow=True)
        assert "$60.00 less waits for approval: Late delivery" in text(page)
        mina = client_as("manager")
        assert "Waiting for approval" in text(mina.get("/"))
        assert owing.name in text(mina.get(reverse("adjustments")))

    def test_the_manager_grants(self, client_as, owing, agreement):
        client_as("specialist").post(reverse("agreement_adjust", args=[agreement.pk]), self.sent(amount="60.00"))
        found = Adjustment.objects.get()
        mina = client_as("manager")
        page = mina.get(reverse("adjustment_decide", args=[found.pk]))
        assert "$26.65 → −$33.35" in text(page)
        mina.post(reverse("adjustment_decide", args=[found.pk]), {"is_granted": "yes", "note": ""})
        assert queries.sum_balance(owing.pk) == D("-33.35")

    def test_a_refusal_needs_a_word(self, client_as, owing):
        client_as("specialist").post(reverse("adjustment_ask", args=[owing.pk]), self.sent(amount="60.00"))
        address = reverse("adjustment_decide", args=[Adjustment.objects.get().pk])
        answer = client_as("manager").post(address, {"is_granted": "no", "note": ""})
        assert (answer.status_code, "Write why it is refused" in text(answer)) == (422, True)

    def test_who_asked_cannot_decide(self, client_as, owing):
        mina = client_as("manager")
        mina.post(reverse("adjustment_ask", args=[owing.pk]), self.sent(amount="60.00"))
        address = reverse("adjustment_decide", args=[Adjustment.objects.get().pk])
        assert "You asked for this yourself" in text(mina.get(address))
        assert mina.post(address, {"is_granted": "yes", "note": ""}).status_code == 422
        assert Adjustment.objects.get().state == "asked"

    def test_keeps_what_was_typed_when_it_is_refused(self, client_as, owing):
        answer = client_as("specialist").post(reverse("adjustment_ask", args=[owing.pk]), self.sent(amount="0", reason="Because"))
        assert (answer.status_code, "more than zero" in text(answer), 'value="Because"' in answer.content.decode()) == (
            422, True, True,
        )  # fmt: skip

    def test_a_specialist_decides_nothing(self, client_as, owing):
        assert client_as("specialist").get(reverse("adjustments")).status_code == 403


class TestWriteOff:
    def test_a_running_agreement_says_what_is_possible_instead(self, client_as, owing, agreement):
        page = client_as("manager").get(reverse("agreement_write_off", args=[agreement.pk]))
        assert "recall it for non-payment" in text(page)
        assert "Write off $26.65" not in text(page)

    def test_writes_off_and_takes_a_payment_after_all(self, client_as, owing, agreement):
        Agreement.objects.filter(pk=agreement.pk).update(ended_on=DAY, end_reason="returned")
        mina = client_as("manager")
        page = mina.get(reverse("agreement_write_off", args=[agreement.pk]))
        assert "Write off $26.65" in text(page)
        mina.post(
            reverse("agreement_write_off", args=[agreement.pk]),
            {"amount": "26.65", "reason": "Moved away", "request_key": key()},
        )
        note = CreditNote.objects.get()
        rosa = client_as("specialist")
        assert "$26.65 was written off" in text(rosa.get(reverse("payment_take", args=[owing.pk])))
        assert rosa.get(reverse("agreement_recover", args=[agreement.pk]))["Location"] == reverse("recovery_take", args=[note.pk])
        rosa.post(
            reverse("recovery_take", args=[note.pk]),
            {"amount": "20.00", "method": "cash", "cheque_number": "", "received_on": "3/10/2026", "request_key": key()},
        )
        assert (Payment.objects.get().amount, CreditNote.objects.latest("pk").amount) == (D("20.00"), D("6.65"))

    def test_an_old_amount_is_refused(self, client_as, owing, agreement):
        Agreement.objects.filter(pk=agreement.pk).update(ended_on=DAY, end_reason="returned")
        answer = client_as("manager").post(
            reverse("household_write_off", args=[owing.pk]), {"amount": "20.00", "reason": "Gone", "request_key": key()}
        )
        assert (answer.status_code, "Meanwhile $26.65 is open" in text(answer)) == (422, True)

    def test_only_a_manager_voids_a_write_off(self, client_as, owing, bookkeeper):
        note = credits.write_credit_note(
            household=owing, agreement=None, kind="write_off", amount=D("26.65"), reason="Gone", on=DAY,
            acting_user=bookkeeper, now=NOON,
        )  # fmt: skip
        address = reverse("credit_note_void", args=[note.pk])
        assert client_as("bookkeeper").post(address, {"reason": "Mistake"}).status_code == 403
        client_as("manager").post(address, {"reason": "Mistake"})
        assert queries.sum_balance(owing.pk) == D("26.65")


class TestRefund:
    def sent(self, **changes):
        given = {"amount": "13.35", "method": "cheque", "cheque_number": "501", "on": "3/10/2026", "reason": "Overpaid"}
        return {**given, "request_key": key(), **changes}

    def test_pays_back_and_shows_the_receipt(self, client_as, ahead):
        bea = client_as("bookkeeper")
        page = bea.get(reverse("refund_make", args=[ahead.pk]))
        assert 'value="13.35"' in page.content.decode()
        answer = bea.post(reverse("refund_make", args=[ahead.pk]), self.sent(), follow=True)
        assert "$13.35 is paid back." in text(answer)
        assert Refund.objects.get().cheque_number == "501"

    def test_says_how_much_there_is(self, client_as, ahead):
        answer = client_as("bookkeeper").post(reverse("refund_make", args=[ahead.pk]), self.sent(amount="14.00"))
        assert (answer.status_code, "only $13.35 is on account" in text(answer)) == (422, True)

    def test_a_family_that_owes_gets_nothing_back(self, client_as, owing):
        page = client_as("bookkeeper").get(reverse("refund_make", args=[owing.pk]))
        assert "Nothing can be paid back" in text(page)

    def test_an_owed_refund_says_so(self, client_as, ahead, bookkeeper):
        refund = refunds.make_refund(
            household=ahead, given=refunds.RefundGiven("cash", D("13.35"), DAY, "Overpaid"), acting_user=bookkeeper, now=NOON
        )
        payments.return_payment(payment=ahead.payments.get(), reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        assert "The family owes this refund" in text(client_as("bookkeeper").get(reverse("refund", args=[refund.pk])))

    def test_a_specialist_pays_nothing_back(self, client_as, ahead):
        assert client_as("specialist").get(reverse("refund_make", args=[ahead.pk])).status_code == 403

    def test_the_report_lists_and_exports_it(self, client_as, ahead):
        bea = client_as("bookkeeper")
        assert "$13.35" in text(bea.get(reverse("credit_balances")))
        answer = bea.get(reverse("credit_balances_csv"))
        rows = b"".join(answer.streaming_content).decode("utf-8-sig").splitlines()
        assert rows[1].startswith(f"{ahead.number},{ahead.name},2026-03-10,")
        assert rows[1].endswith(",13.35,0.00,13.35")


class TestLateFees:
    def test_shows_and_charges_them(self, client_as, bookkeeper):
        version = PlanVersionFactory(plan=PlanFactory(code="late"), late_fee=D("5.00"), grace_days=7)
        late = AgreementFactory(plan_version=version)
        charges.charge_period(agreement=late, period=0, acting_user=bookkeeper, now=NOON)
        bea = client_as("bookkeeper")
        page = bea.get(reverse("late_fees"))
        assert (late.number in text(page), "Caution" in text(page)) == (True, True)
        answer = bea.post(reverse("late_fees"), follow=True)
        assert "1 late fee is charged." in text(answer)
        assert Charge.objects.get(kind="fee").late_for.agreement == late


class TestExemptions:
    def test_writes_one_down_and_says_so_on_the_family(self, client_as, owing):
        bea = client_as("bookkeeper")
        given = {
            "certificate_number": "IL-77",
            "area": "",
            "from_on": "1/1/2026",
            "expires_on": "12/31/2040",
            "request_key": key(),
        }
        page = bea.post(reverse("exemptions", args=[owing.pk]), given, follow=True)
        assert "IL-77" in text(page)
        assert "Exempt from sales tax" in text(bea.get(reverse("household", args=[owing.pk])))
        bea.post(reverse("exemption_end", args=[TaxExemption.objects.get().pk]), {"last_on": "1/31/2026"})
        assert f"{TaxExemption.objects.get().expires_on}" == "2026-01-31"

    def test_refuses_an_end_before_the_beginning(self, client_as, owing):
        given = {"certificate_number": "IL-77", "from_on": "2/1/2026", "expires_on": "1/1/2026", "request_key": key()}
        answer = client_as("bookkeeper").post(reverse("exemptions", args=[owing.pk]), given)
        assert (answer.status_code, TaxExemption.objects.count()) == (422, 0)


class TestStatement:
    def days(self, **more):
        return {"begins_on": "2026-01-01", "through_on": "2026-12-31", **more}

    def test_shows_what_the_paper_prints(self, client_as, ahead):
        page = client_as("specialist").get(reverse("statement", args=[ahead.pk]), self.days())
        assert "On account in the family’s favor −$13.35" in text(page)

    def test_makes_the_paper(self, client_as, ahead):
        answer = client_as("specialist").post(reverse("statement_print", args=[ahead.pk]), self.days())
        document = Document.objects.get()
        assert (answer["Location"], document.kind) == (reverse("document", args=[document.pk]), "statement")

    def test_refuses_days_that_run_backward(self, client_as, ahead):
        asked = {"begins_on": "2026-02-01", "through_on": "2026-01-01"}
        assert client_as("specialist").get(reverse("statement", args=[ahead.pk]), asked).status_code == 422

    def test_of_one_payer(self, client_as, ahead, agreement):
        ben = GuardianFactory(household=ahead, given_name="Ben")
        for guardian in (agreement.guardian, ben):
            PayerShare.objects.create(agreement=agreement, guardian=guardian, weight=1, from_on="2026-01-01")
        client = client_as("specialist")
        assert "The part of Ben Sample" in text(client.get(reverse("statement", args=[ahead.pk]), self.days(payer=ben.pk)))
        assert "Who pays what" in text(client.get(reverse("household", args=[ahead.pk])))
        page = client.get(reverse("payment_take", args=[ahead.pk]))
        assert "Who paid?" in text(page)
        sent = {"amount": "1.00", "method": "cash", "received_on": "3/10/2026", "paid_by": ben.pk, "request_key": key()}
        client.post(reverse("payment_take", args=[ahead.pk]), sent)
        assert Payment.objects.latest("pk").paid_by == Guardian.objects.get(pk=ben.pk)


class TestNumbers:
    def test_shows_series_and_voids(self, client_as, owing, bookkeeper):
        charges.void_charge(charge=owing.charges.get(), reason="Billed twice", acting_user=bookkeeper, now=NOON)
        page = client_as("bookkeeper").get(reverse("number_report"), {"from": "2026-01-01", "through": "2026-12-31"})
        assert "Billed twice" in text(page)


def test_the_limit_is_the_offices(owing):
    assert adjustments.approval_limit() == D("50.00")
    assert ManagerFactory().role == "manager"
