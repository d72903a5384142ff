"""A year of an office from one seed: families sign up, pay, bounce, move; what they send arrives twice, late, in another order,
and sometimes the program dies over it before it has committed. A queue in process, a clock of its own, nothing from outside.
"""

import dataclasses
import datetime
import heapq
import random
from collections import Counter
from decimal import Decimal
from uuid import UUID

from django.db import connection, transaction

from billing import charges, deposits, ledger, months, payments, purchases, queries, runs
from billing.models import BillingRun, JournalEntry, Payment
from rentals.agreements import life, wording
from rentals.agreements import operations as agreements
from rentals.agreements.changes import holds, terms
from rentals.agreements.models import Agreement
from rentals.agreements.moves import Move, MoveNotPossibleError
from rentals.counter.life import buying, ends, exchanging, leaving
from rentals.counter.life.page import first_free_period
from rentals.families import operations as families
from rentals.inventory import queries as inventory
from rentals.runtime import statistics
from tests.agreements.factories import OfficeFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.conftest import run as run_sql
from tests.factories import ManagerFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory, kind

BEGINS = datetime.date(2026, 8, 15)
KINDS = {"clarinet": "28.50", "alto-saxophone": "43.75", "trumpet": "31.00"}
REFUSALS = (
    MoveNotPossibleError,
    ledger.MonthClosedError,
    payments.PaymentReturnedError,
    deposits.NotOnHandError,
    purchases.PriceChangedError,
    terms.DueDayAlreadyError,
    terms.ProtectionAlreadyError,
    agreements.errors.InstrumentNotAvailableError,
    agreements.errors.EndsBeforeItBeganError,
)
"""What the office may answer to something that came late or twice; anything else ends the simulation."""


class DiedError(Exception):
    """The program died here, before it had committed."""


@dataclasses.dataclass(order=True)
class Message:
    """Something that somebody sends: when it arrives, what is to be done, and the key it carries however often it comes."""

    at: datetime.datetime
    place: int
    verb: str = dataclasses.field(compare=False)
    key: UUID = dataclasses.field(compare=False)
    said: dict = dataclasses.field(compare=False)


@dataclasses.dataclass
class Family:
    """A family and how it pays: the share of its bills it pays at all, and how often its checks bounce."""

    number: int
    pays: float
    bounces: float
    household: object = None

    @property
    def agreement(self):
        """What it rents now, or rented last."""
        return Agreement.objects.filter(household=self.household).order_by("-pk").first()


class Simulation:
    """An office, its families, and a queue of what is on its way to it."""

    def __init__(self, seed, families=100, days=365):
        self.dice = random.Random(seed)
        self.now = datetime.datetime.combine(BEGINS, datetime.time(15), tzinfo=datetime.UTC)
        self.ends = self.now + datetime.timedelta(days=days)
        self.queue, self.sending, self.placed, self.delivered = [], [], 0, 0
        self.answers, self.counts = {}, Counter()
        self.user, self.place = ManagerFactory(second_factor=False), LocationFactory()
        OfficeFactory(), TaxAreaFactory()
        self.version = PlanVersionFactory(part_month="days", step_up_share=Decimal("0.6"))
        self.units = [self.make_unit(n, code) for n, code in enumerate(list(KINDS) * (families // 2))]
        self.families = [Family(n, self.dice.choice([1, 1, 1, 0.8, 0.4]), 0.12) for n in range(families)]
        for family in self.families:
            self.send(self.dice.randint(0, 45), "sign", family=family)
        for day in range(0, days, 4):
            self.send(day + 0.3, "bill", on=BEGINS + datetime.timedelta(days=day))
        for day in range(7, days, 7):
            self.send(day + 0.2, "deposit")
        for day in range(12, days, 31):
            self.send(day, "close")

    def make_unit(self, n, code):
        item = CatalogueItemFactory(kind=kind(code), model=f"Model {n % 3}", maker=f"Maker {n}")
        RateFactory(kind=item.kind, monthly_rent=Decimal(KINDS[code]), monthly_protection=Decimal("4.75"))
        return InstrumentFactory(item=item, asset_tag=f"S-{n:04}", serial_number=f"S{n:06}")

    # the way of a message

    def send(self, days, verb, **said):
        """Put something on its way: it may be late, and it may come a second time."""
        key = UUID(int=self.dice.getrandbits(128), version=4)
        for _ in range(2 if self.dice.random() < 0.12 else 1):
            late = self.dice.choice([0, 0, 0, 0, 0.4, 3])
            self.sending.append(Message(self.now + datetime.timedelta(days=days + late), 0, verb, key, said))

    def put(self, message):
        self.placed += 1
        heapq.heappush(self.queue, dataclasses.replace(message, place=self.placed))

    def let_go(self):
        """What was sent leaves once what it follows from is committed."""
        sent, self.sending = self.sending, []
        for message in sent:
            self.put(message)

    def run(self):
        self.let_go()
        while self.queue and self.queue[0].at <= self.ends:
            message = heapq.heappop(self.queue)
            self.now = message.at
            self.deliver(message)
            self.delivered += 1
            if self.delivered % 25 == 0:
                statistics.check_what_waits()
            if self.delivered % 250 == 0:
                statistics.refresh_statistics()

    def deliver(self, message):
        """Do what a message asks for. Came it before, it must give the same answer and write nothing."""
        before = JournalEntry.objects.count() if message.key in self.answers else None
        try:
            with transaction.atomic():
                answer = getattr(self, message.verb)(message.key, **message.said)
                if self.dice.random() < 0.04:
                    raise DiedError
        except DiedError:
            self.counts["died"] += 1
            self.sending = []
            self.put(dataclasses.replace(message, at=self.now + datetime.timedelta(hours=1)))
            return
        except REFUSALS as error:
            self.counts[type(error).__name__] += 1
            self.sending = []
            return
        self.let_go()
        self.counts[message.verb] += 1
        if before is not None:
            self.counts["twice"] += 1
            assert answer == self.answers[message.key], message
            assert JournalEntry.objects.count() == before, message
        self.answers[message.key] = answer

    @property
    def today(self):
        return self.now.date()

    @property
    def acts(self):
        return {"acting_user": self.user, "now": self.now}

    # what is asked for

    def sign(self, key, family):
        household = families.add_household(
            name=f"Family {family.number}",
            street=f"{family.number} Elm Street",
            city="Springdale",
            state="IL",
            postal_code="62704",
            guardian={"given_name": "Jo", "family_name": "Sample", "phone": "", "email": f"f{family.number}@example.com"},
            acting_user=self.user,
            request_key=key,
        )
        family.household = household
        made = self.sign_agreement(family, UUID(int=key.int ^ 1), self.units[family.number % len(self.units)])
        self.send(1, "pay_bill", family=family)
        for month in range(1, 12):
            self.send(30 * month + self.dice.randint(0, 6), "live", family=family)
        return made.pk

    def sign_agreement(self, family, key, unit):
        earlier = family.household.students.first()
        guardian = family.household.guardians.get()
        student = earlier or families.add_student(
            household=family.household, given_name="Kit", family_name="Sample", grade=5, programme=None, acting_user=self.user
        )
        signup = agreements.SignUp(
            request_key=key,
            household=family.household,
            guardian=guardian,
            student=student,
            programme=None,
            instrument=unit,
            plan_version=self.version,
            protection=family.number % 3 > 0,
            goods=(),
            received_at="counter",
            starts_on=Agreement.objects.filter(household=family.household).values_list("starts_on", flat=True).first()
            or self.today,
            signature=signature(),
        )
        made = agreements.sign_agreement(signup=signup, today=self.today, **self.acts)
        charges.bill_begun(agreement=made, through=made.starts_on, **self.acts)
        return made

    def bill(self, key, on):
        run, _ = BillingRun.objects.get_or_create(
            asked_at=datetime.datetime.combine(on, datetime.time(2), tzinfo=datetime.UTC),
            defaults={"through_on": on, "asked_by": self.user},
        )
        runs.continue_run(run.pk, now=self.now)
        return run.pk

    def live(self, key, family):
        """A month of a family: it pays, or not, and now and then something happens to what it rents."""
        if self.dice.random() < family.pays:
            self.send(self.dice.randint(0, 8), "pay_bill", family=family)
        if self.dice.random() < 0.2:
            verb = self.dice.choice(["hold", "due_day", "protection", "take_back", "buy", "exchange"])
            self.send(self.dice.randint(0, 20), verb, family=family, on=self.today)
        return family.number

    def pay_bill(self, key, family):
        """Look at the bill and send its money; the envelope carries its own key and the day it was written."""
        owed = queries.sum_balance(family.household.pk)
        if owed > 0 and key not in self.answers:
            amount = owed if self.dice.random() < 0.85 else (owed / 3).quantize(Decimal("0.01"))
            how = self.dice.choice(["cash", "cheque", "transfer"])
            self.send(self.dice.randint(0, 3), "pay", family=family, amount=amount, method=how, on=self.today)
        return family.number

    def pay(self, key, family, amount, method, on):
        made = payments.record_payment(
            household=family.household,
            method=method,
            cheque_number="100" if method == "cheque" else "",
            amount=amount,
            received_on=on,
            request_key=key,
            **self.acts,
        )
        if key not in self.answers and method == "cheque" and self.dice.random() < family.bounces:
            self.send(6, "bounce", payment=made.pk)
        return made.pk

    def bounce(self, key, payment):
        found = Payment.objects.get(pk=payment)
        on = max(self.today, found.received_on)
        return payments.return_payment(payment=found, reason="Insufficient funds", returned_on=on, **self.acts).pk

    def deposit(self, key):
        on_hand = list(queries.list_undeposited())
        if key in self.answers or not on_hand:
            return self.answers.get(key)
        return deposits.make_deposit(payments=on_hand, deposited_on=self.today, request_key=key, **self.acts).pk

    def close(self, key):
        following = months.next_to_close()
        if key in self.answers or following is None or ledger.month_after(following) > self.today:
            return self.answers.get(key)
        return str(months.close_month(first_day=following, today=self.today, **self.acts).first_day)

    # what happens to what they rent

    def move(self, operation, key, family, **how):
        sent = life.Sent(key, signer="Jo Sample")
        return operation(agreement=family.agreement, sent=sent, today=self.today, **how, **self.acts).pk

    def again(self, key):
        """The answer to what came before: its agreement may have gone on since, and a form is sent for one agreement only."""
        return self.answers.get(key)

    def hold(self, key, family, on):
        if key in self.answers:
            return self.again(key)
        event = self.move(holds.put_on_hold, key, family, reason="Away")
        self.send(20, "lift", family=family, forgiven=self.dice.random() < 0.5)
        return event

    def lift(self, key, family, forgiven):
        return self.again(key) or self.move(holds.lift_hold, key, family, is_forgiven=forgiven)

    def due_day(self, key, family, on):
        if key in self.answers:
            return self.again(key)
        free = first_free_period(family.agreement, life.list_segments(family.agreement), self.today)
        return self.move(terms.change_due_day, key, family, due_day=self.dice.randint(1, 28), from_period=free)

    def protection(self, key, family, on):
        if key in self.answers:
            return self.again(key)
        free = first_free_period(family.agreement, life.list_segments(family.agreement), self.today)
        return self.move(terms.drop_protection, key, family, from_period=free)

    def take_back(self, key, family, on):
        back = leaving.GivenBack(max(on, family.agreement.starts_on), ends.Condition("good", self.place))
        return self.move(leaving.take_back, key, family, back=back)

    def buy(self, key, family, on):
        return self.move(buying.buy, key, family, terms=buying.Terms())

    def exchange(self, key, family, on):
        if key in self.answers:
            return self.again(key)
        free = inventory.find_available(self.dice.choice(list(KINDS))).order_by("asset_tag").last()
        swap = exchanging.Swap(Move.EXCHANGE, free, True, ends.Condition("good", self.place), signature())
        return self.move(exchanging.swap_instrument, key, family, swap=swap)


def signature():
    """The guardian's name, typed."""
    return agreements.SignatureGiven("Jo Sample", "typed", wording.consent_wording())


def count_from(number):
    """Let every key that the database gives out count on from a number, so that two runs give out the same ones."""
    run_sql("RESET ROLE")
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT setval(format('%%I.%%I', schemaname, sequencename)::regclass, %s) FROM pg_sequences"
            " WHERE schemaname = 'public'",
            [number],
        )
    run_sql("SET ROLE office_app")
