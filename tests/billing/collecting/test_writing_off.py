"""Several debts written off for one reason: looked at again row by row under the lock, once however often it is sent."""

import re
import uuid
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse

from billing import charges, chart, payments, verify
from billing.collecting import debts, writing_off
from billing.collecting.writing_off import Seen
from billing.models import Account, CreditNote
from rentals.agreements.models import Agreement, AgreementHold
from rentals.runtime import clock
from rentals.staff.models import User
from tests.agreements.factories import OfficeFactory
from tests.billing.collecting.test_arrangements import day, noon, promise
from tests.billing.factories import AgreementFactory, FollowingAgreementFactory, GuardianFactory
from tests.factories import BookkeeperFactory, ManagerFactory

D = Decimal
TODAY, NOW = day(100), noon(100)


@pytest.fixture
def mina(db, monkeypatch):
    monkeypatch.setattr(clock, "today", lambda: TODAY)
    monkeypatch.setattr(clock, "now", lambda: NOW)
    OfficeFactory()
    return ManagerFactory()


def owing(*, periods: int = 1, ended: str = "returned", name: str = "Gone") -> Agreement:
    """A family with an agreement of 26.65 a month from January 31 on, unpaid, and what it ended as ("" while it runs)."""
    agreement, clerk = AgreementFactory(household__name=name), BookkeeperFactory()
    GuardianFactory(household=agreement.household, is_primary=True)
    for period in range(periods):
        charges.charge_period(agreement=agreement, period=period, acting_user=clerk, now=noon(0))
    if ended:
        Agreement.objects.filter(pk=agreement.pk).update(ended_on=day(70), end_reason=ended)
        agreement.refresh_from_db()
    return agreement


def account(agreement: Agreement) -> str:
    return f"h{agreement.household_id}"


def recall(agreement: Agreement, by: User) -> None:
    AgreementHold.objects.create(agreement=agreement, kind="recall", from_on=day(80), reason="Unpaid", made_at=NOW, made_by=by)


def pay(agreement: Agreement, amount: str, clerk: User):
    return payments.record_payment(
        household=agreement.household, method="cash", amount=D(amount), received_on=TODAY, acting_user=clerk, now=NOW
    )


def write_off(who: User, *seen: tuple[str, str], key: uuid.UUID | None = None, reason: str = "Moved away"):
    return writing_off.write_off_many(
        seen=[Seen(code, D(amount)) for code, amount in seen],
        reason=reason,
        acting_user=who,
        now=NOW,
        request_key=key or uuid.uuid4(),
    )


def bad_debt() -> Decimal:
    return sum((p.amount for p in Account.objects.get(code=chart.BAD_DEBT).postings.all()), D("0.00"))


def is_clean() -> bool:
    return not [found for _, found in verify.run_checks() if found]


class TestListDebts:
    def codes(self) -> list[str]:
        return [debt.code for debt in debts.list_debts(today=TODAY).rows]

    def test_has_the_account_of_a_family_that_rents_nothing(self, mina):
        gone = owing(periods=2)
        debt = debts.list_debts(today=TODAY).rows[0]
        assert (debt.code, debt.amount, debt.since, debt.days_late(TODAY)) == (account(gone), D("53.30"), day(0), 100)
        assert (debt.last_paid_on, debt.steps) == (None, "No step taken")

    def test_takes_in_what_is_not_due_yet_and_says_so(self, mina):
        gone = owing()
        charges.charge_fee(
            household=gone.household, on=day(120), description="Fee", amount=D("7.00"), acting_user=mina, now=noon(100)
        )
        debt = debts.list_debts(today=TODAY).rows[0]
        assert (debt.amount, debt.not_due) == (D("33.65"), D("7.00"))

    def test_of_a_family_that_rents_it_has_what_is_recalled_or_ended(self, mina):
        running = owing(ended="")
        other = AgreementFactory(household=running.household)
        charges.charge_period(agreement=other, period=0, acting_user=mina, now=noon(0))
        assert self.codes() == []
        recall(running, mina)
        found = debts.list_debts(today=TODAY).rows
        assert [(debt.code, debt.amount) for debt in found] == [(f"a{running.pk}", D("26.65"))]
        assert "counts as lost" in found[0].what
        Agreement.objects.filter(pk=other.pk).update(ended_on=day(70), end_reason="returned")
        assert self.codes() == [f"a{running.pk}", f"a{other.pk}"]

    def test_has_nothing_of_an_agreement_that_another_took_the_place_of(self, mina):
        before = owing(ended="")
        FollowingAgreementFactory(follows=before, starts_on=before.starts_on)
        assert self.codes() == []

    def test_leaves_out_what_is_not_past_due_paid_or_promised(self, mina):
        paid, promised = owing(), owing()
        pay(paid, "26.65", mina)
        promise(promised.household, mina, by=110, at=99)
        found = debts.list_debts(today=TODAY)
        assert (found.rows, found.paused) == ([], 1)
        assert debts.list_debts(today=day(0)).rows == []

    def test_every_row_may_be_written_off_as_shown(self, mina):
        """What the list offers, the operation takes: nothing is left."""
        recalled, ended = owing(ended="", periods=2), owing(periods=3)
        recall(recalled, mina)
        rows = debts.list_debts(today=TODAY).rows
        outcome = write_off(mina, *[(row.code, str(row.amount)) for row in rows])
        assert (len(outcome.notes), outcome.left, outcome.amount) == (2, (), D("133.25"))
        assert ended.household.credit_notes.count() == 1


class TestWriteOffMany:
    def test_posts_each_with_its_own_note_and_the_one_reason(self, mina):
        first, second = owing(), owing(periods=2)
        outcome = write_off(mina, (account(first), "26.65"), (account(second), "53.30"))
        assert (outcome.amount, outcome.left, bad_debt()) == (D("79.95"), (), D("79.95"))
        assert {note.reason for note in CreditNote.objects.all()} == {"Moved away"}
        assert is_clean()

    def test_names_and_leaves_what_moved_on_and_the_others_go_through(self, mina):
        paid, partly, renting, promised, good = (owing(name=name) for name in ("Paid", "Partly", "Renting", "Promised", "Good"))
        seen = [(account(each), "26.65") for each in (paid, partly, renting, promised, good)]
        pay(paid, "26.65", mina)
        pay(partly, "6.65", mina)
        AgreementFactory(household=renting.household)
        promise(promised.household, mina, by=110, at=99)
        outcome = write_off(mina, *seen)
        assert [note.household for note in outcome.notes] == [good.household]
        why = {left.whose.split(" ")[0]: left.why for left in outcome.left}
        assert set(why) == {"Paid", "Partly", "Renting", "Promised"}
        assert "nothing to write off" in why["Paid"]
        assert "$20.00 is open, not $26.65" in why["Partly"]
        assert "still rents" in why["Renting"]
        assert "promise or payment plan" in why["Promised"]
        assert (bad_debt(), is_clean()) == (D("26.65"), True)

    @pytest.mark.parametrize("code", ["h999999999", "a999999999", "x1", "h", "h1; DROP TABLE", "h-1", "h٣"])
    def test_a_tampered_row_is_left_and_harms_no_other(self, mina, code):
        good = owing()
        outcome = write_off(mina, (code, "26.65"), (account(good), "26.65"))
        assert (len(outcome.notes), [left.code for left in outcome.left]) == (1, [code])

    def test_a_running_agreement_sent_by_hand_is_left(self, mina):
        running = owing(ended="")
        outcome = write_off(mina, (f"a{running.pk}", "26.65"), (account(running), "26.65"))
        assert (outcome.notes, len(outcome.left), bad_debt()) == ((), 2, D("0.00"))

    @pytest.mark.parametrize("amount", ["0.01", "26.64", "26.66", "-26.65"])
    def test_another_amount_than_is_open_is_left(self, mina, amount):
        assert write_off(mina, (account(owing()), amount)).notes == ()

    def test_sent_twice_is_one_act(self, mina):
        first, second, key = owing(), owing(), uuid.uuid4()
        seen = [(account(first), "26.65"), (account(second), "26.65")]
        once, again = write_off(mina, *seen, key=key), write_off(mina, *seen, key=key)
        assert (once.notes, once.left) == (again.notes, again.left)
        assert CreditNote.objects.count() == 2

    def test_what_was_left_halfway_is_gone_on_with(self, mina):
        """The process died after the first row: sent again, the first stays as it is and the second follows."""
        first, second, key = owing(), owing(), uuid.uuid4()
        write_off(mina, (account(first), "26.65"), key=key)
        assert len(write_off(mina, (account(first), "26.65"), (account(second), "26.65"), key=key).notes) == 2
        assert CreditNote.objects.count() == 2

    def test_is_refused_to_who_may_not_whatever_the_caller_believed(self, mina):
        debt = account(owing())
        with pytest.raises(PermissionDenied):
            write_off(BookkeeperFactory(), (debt, "26.65"))
        User.objects.filter(pk=mina.pk).update(role="specialist")
        with pytest.raises(PermissionDenied):
            write_off(mina, (debt, "26.65"))
        assert CreditNote.objects.count() == 0


class TestAtTheSameMoment:
    def test_two_clicks_are_one_act(self, race, mina):
        rows, key = [owing() for _ in range(3)], uuid.uuid4()
        seen = [(account(each), "26.65") for each in rows]
        outcomes = race(*[lambda: write_off(mina, *seen, key=key)] * 2)
        assert [len(each.notes) for each in outcomes] == [3, 3]
        assert (CreditNote.objects.count(), bad_debt()) == (3, D("79.95"))

    def test_two_managers_write_each_debt_off_once(self, race, mina):
        rows, other = [owing() for _ in range(4)], ManagerFactory()
        seen = [(account(each), "26.65") for each in rows]
        outcomes = race(lambda: write_off(mina, *seen), lambda: write_off(other, *reversed(seen)))
        assert sum(len(each.notes) for each in outcomes) == 4 == CreditNote.objects.count()
        assert sum(len(each.left) for each in outcomes) == 4
        assert (bad_debt(), is_clean()) == (D("106.60"), True)

    def test_a_payment_and_a_write_off_never_both_take_the_debt(self, race, mina):
        gone = owing()
        outcome, paid = race(lambda: write_off(mina, (account(gone), "26.65")), lambda: pay(gone, "26.65", mina))
        assert paid.amount == D("26.65")
        assert len(outcome.notes) + len(outcome.left) == 1
        assert bad_debt() == sum((note.amount for note in outcome.notes), D("0.00"))
        assert is_clean()


def ticked(page: str) -> set[str]:
    return {
        re.search(r'value="(\w+)"', box)[1]  # type: ignore[index]
        for box in re.findall(r'<input[^>]*name="debts"[^>]*>', page)
        if " checked" in box or 'type="hidden"' in box
    }


class TestScreen:
    def sent(self, client, *codes: str, query: str = "", **more):
        given = {"debts": list(codes), "reason": "Moved away", "request_key": str(uuid.uuid4()), **more}
        return client.post(reverse("write_off_queue") + query, given)

    def test_shows_count_and_sum_before_the_last_button_and_writes_off_by_it(self, mina, client_as):
        first, second = owing(), owing(periods=2)
        client = client_as("manager")
        checked = self.sent(client, account(first), account(second))
        page = checked.content.decode()
        assert "Write off 2 debts, $79.95" in page and not CreditNote.objects.exists()
        fields = re.findall(r'name="(debts|seen|reason|request_key)"[^>]*value="([^"]*)"', page)
        given: dict[str, list[str]] = {"write_off": ["1"]}
        for name, value in fields:
            given.setdefault(name, []).append(value)
        done = client.post(reverse("write_off_queue"), given, follow=True).content.decode()
        assert "2 debts are written off, $79.95 together" in done
        assert "All done" in done and CreditNote.objects.count() == 2

    def test_the_last_button_alone_shows_the_sum_first(self, mina, client_as):
        """Sent by hand without what was seen, nothing is written off: the figures come first."""
        answer = self.sent(client_as("manager"), account(owing()), write_off="1")
        assert "Write off 1 debt, $26.65" in answer.content.decode() and not CreditNote.objects.exists()

    def test_what_was_paid_before_the_last_button_is_named(self, mina, client_as):
        first, second = owing(name="Firstly"), owing()
        pay(first, "20.00", mina)
        seen = [f"{account(first)}:26.65", f"{account(second)}:26.65"]
        sent = {"debts": [account(first), account(second)], "seen": seen, "reason": "Gone", "write_off": "1"}
        done = client_as("manager").post(reverse("write_off_queue"), {**sent, "request_key": str(uuid.uuid4())}, follow=True)
        page = done.content.decode()
        assert "1 debt is written off, $26.65 together" in page
        assert "Left as it was: Firstly family" in page and "$6.65 is open, not $26.65" in page

    def test_a_refused_form_keeps_the_ticks_also_of_other_pages(self, mina, client_as, monkeypatch):
        monkeypatch.setattr("billing.collecting.views.write_offs.PAGE_SIZE", 2)
        rows = [owing() for _ in range(3)]
        codes = {account(rows[0]), account(rows[2])}
        answer = self.sent(client_as("manager"), *codes, reason=" ")
        page = answer.content.decode()
        assert answer.status_code == 422 and "Write the reason." in page
        assert ticked(page) == codes and "2 debts ticked, $53.30 together" in page

    def test_going_back_to_change_keeps_ticks_and_reason(self, mina, client_as):
        rows = [owing() for _ in range(3)]
        answer = self.sent(client_as("manager"), account(rows[1]), change="1")
        page = answer.content.decode()
        assert answer.status_code == 200 and ticked(page) == {account(rows[1])} and 'value="Moved away"' in page

    @pytest.mark.parametrize(
        ("codes", "said"),
        [
            ((), "Tick at least one debt."),
            (("h1<script>",), "not of this list"),
            (tuple(f"h{n}" for n in range(1, 102)), "at most 100"),
        ],
    )
    def test_refuses_what_cannot_be_meant(self, mina, client_as, codes, said):
        owing()
        answer = self.sent(client_as("manager"), *codes)
        assert answer.status_code == 422 and said in answer.content.decode()

    def test_filters_and_order_stand_in_the_address(self, mina, client_as):
        small, large = owing(name="Small"), owing(periods=3, name="Large")
        client, address = client_as("manager"), reverse("write_off_queue")

        def shown(query: str) -> list[str]:
            return [row[0].code for row in client.get(address + query).context["rows"]]

        assert shown("?sort=-amount") == [account(large), account(small)]
        assert shown("?sort=name&days=90") == [account(large), account(small)]
        assert shown("?least=50") == [account(large)]
        assert shown("?text=sma") == [account(small)]
        assert shown("?days=120") == shown("?steps=over") == shown("?school=1") == []
        assert shown("?days=x&least=NaN&school=1e5&sort=;&page=q") == [account(small), account(large)]

    def test_the_sum_follows_the_ticks(self, mina, client_as):
        rows = [owing() for _ in range(2)]
        answer = client_as("manager").post(reverse("write_off_sum"), {"debts": [account(rows[0]), "h0", "zz"]})
        assert "1 debt ticked, $26.65 together" in answer.content.decode()

    @pytest.mark.parametrize("role", ["bookkeeper", "specialist", "technician"])
    def test_is_for_who_may_write_off(self, mina, client_as, role):
        debt, client = account(owing()), client_as(role)
        assert client.get(reverse("write_off_queue")).status_code == 403
        assert self.sent(client, debt, seen=f"{debt}:26.65", write_off="1").status_code == 403
        assert not CreditNote.objects.exists()

    def test_asks_few_questions_whatever_the_data(self, mina, client_as, django_assert_max_num_queries):
        for _ in range(8):
            owing()
        promise(owing().household, mina, by=110, at=99)
        client = client_as("manager")
        with django_assert_max_num_queries(12):
            assert client.get(reverse("write_off_queue") + "?school=1").status_code == 200
