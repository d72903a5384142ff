"""Lives through a life in the program itself: its operations, its database, its own account of what came of it."""

import datetime
import string
import uuid
from decimal import Decimal

import pytest
from django.db import transaction

from billing import charges, months, payments, purchases, queries, runs
from billing.models import BillingRun, Charge
from rentals.agreements import life as agreement_life
from rentals.agreements import operations, wording
from rentals.agreements.changes import holds, terms
from rentals.agreements.models import Agreement, Rate, TaxExemption, TaxRate
from rentals.counter.life import operations as moves
from rentals.counter.life.page import first_free_period
from rentals.runtime.money import ZERO, cents
from tests.agreements.factories import OfficeFactory, PlanVersionFactory, TaxAreaFactory
from tests.factories import ManagerFactory
from tests.families.factories import HouseholdFactory, StudentFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory
from tests.inventory.factories import kind as kind_of
from tests.lives.program_leaving import Leaving

LONG_AGO = datetime.date(2020, 1, 1)
KINDS = ["clarinet", "alto-saxophone", "flute", "trumpet", "trombone", "oboe"]


def share(text):
    """Read `8.25 %` as a fraction."""
    return Decimal(text.removesuffix(" %")) / 100


class Program(Leaving):
    """The office, one family, and its agreements by letter."""

    def __init__(self, life):
        self.plan, self.given = life.given.get("plan", {}), life.given
        self.moment, self.is_strings = 0, any(act.verb == "size_up" for act in life.acts)
        self.office = OfficeFactory()
        self.user = ManagerFactory(second_factor=False)
        self.area = TaxAreaFactory(rates={})
        for word, rate in life.given.get("tax", {}).items():
            sort, _, day = word.partition(" from ")
            since = datetime.date.fromisoformat(day) if day else LONG_AGO
            TaxRate.objects.create(area=self.area, applies_to=sort, rate=share(rate), effective_from=since)
        self.version = self.make_plan()
        self.households = {number: HouseholdFactory() for number in "12"}
        self.units = {letter: self.make_unit(letter) for letter in life.given if len(letter) == 1}
        self.payments, self.others, self.agreements = [], [], {}
        self.same_as = {}
        self.sign(life.begins_on, "A")

    def make_plan(self):
        shares = {
            "credit": "credit_share",
            "step-up": "step_up_share",
            "cap": "credit_cap",
            "discount": "early_purchase_discount",
        }
        fields = {field: share(self.plan[word]) for word, field in shares.items() if word in self.plan}
        whole = {
            "intro months": "intro_months",
            "due day": "due_day",
            "credit lives": "credit_lives_months",
            "grace": "grace_days",
        }
        fields |= {field: int(self.plan[word]) for word, field in whole.items() if word in self.plan}
        amounts = {"late fee": "late_fee", "deductible": "deductible"}
        fields |= {field: Decimal(self.plan[word]) for word, field in amounts.items() if word in self.plan}
        fields |= {"part_month": self.plan["part month"]} if "part month" in self.plan else {}
        fields |= {"minimum_term": "school_year"} if "minimum" in self.plan else {}
        return PlanVersionFactory(early_purchase_discount=fields.pop("early_purchase_discount", ZERO), **fields)

    def make_unit(self, letter):
        given = self.given[letter]
        n = ord(letter) - ord("A")
        item = CatalogueItemFactory(
            kind=kind_of("violin" if self.is_strings else KINDS[n]),
            size=["1/2", "3/4", "4/4"][n] if self.is_strings else "",
            tier=["beginner", "advanced"][n % 2],
            purchase_price=Decimal(given.get("price", "900.00")),
            replacement_value=Decimal(given.get("replacement", "850.00")),
        )
        if "rent" in given:
            Rate.objects.create(
                kind=item.kind,
                tier=item.tier,
                monthly_rent=Decimal(given["rent"]),
                monthly_protection=Decimal(given.get("protection", "0")),
                intro_rent=Decimal(given["intro"]) if "intro" in given else None,
                effective_from=LONG_AGO,
            )
        return InstrumentFactory(item=item, place__began_at=datetime.datetime(2021, 1, 1, tzinfo=datetime.UTC))

    def sign(self, on, letter, household="1"):
        """Sign an agreement under the given letter."""
        signup = self.sign_up(letter, on, household=self.households[household])
        self.agreements[letter] = operations.sign_agreement(signup=signup, today=on, **self.acts(on))

    def sign_up(self, letter, on, *, household, **fields):
        guardian = household.guardians.get(is_primary=True)
        return operations.SignUp(
            request_key=uuid.uuid4(),
            household=household,
            guardian=guardian,
            student=StudentFactory(household=household),
            programme=None,
            instrument=self.units[letter],
            plan_version=self.version,
            protection="protection" in self.given[letter],
            goods=(),
            received_at=Agreement.ReceivedAt.COUNTER,
            starts_on=on,
            signature=operations.SignatureGiven("Alex Sample", "typed", wording.consent_wording()),
            **fields,
        )

    def acts(self, on):
        """Who does it, and at which moment of the day: one second after what was done before."""
        self.moment += 1
        noon = datetime.datetime.combine(on, datetime.time(18), tzinfo=datetime.UTC)
        return {"acting_user": self.user, "now": noon + datetime.timedelta(seconds=self.moment)}

    def agreement(self, letter):
        return Agreement.objects.get(pk=self.agreements[letter].pk)

    def is_refused(self, does, on, **said):
        """Try what the program must refuse, in words; nothing of it may stay."""
        with pytest.raises(Exception) as refusal, transaction.atomic():
            does(on, **said)
        assert str(refusal.value)

    # what happens

    def bill(self, on):
        now = self.acts(on)["now"]
        run = BillingRun.objects.create(through_on=on, asked_at=now, asked_by=self.user)
        runs.continue_run(run.pk, now=now)

    def bill_period(self, on, number, whose="A", until=""):
        until_on = datetime.date.fromisoformat(until) if until else None
        charges.charge_period(agreement=self.agreement(whose), period=int(number) - 1, until_on=until_on, **self.acts(on))

    def pay(self, on, amount, method="cash", household="1"):
        made = payments.record_payment(
            household=self.households[household],
            method="cheque" if method == "check" else method,
            cheque_number="1001" if method == "check" else "",
            amount=Decimal(amount),
            received_on=on,
            **self.acts(on),
        )
        self.payments.append(made)

    def bounce(self, on, number):
        payment = self.payments[int(number) - 1]
        payments.return_payment(payment=payment, reason="Insufficient funds", returned_on=on, **self.acts(on))

    def sell(self, on, amount, words, household="1"):
        goods = [charges.Goods(words, Decimal(amount))]
        family = self.households[household]
        charges.charge_goods(household=family, on=on, goods=goods, tax_area=self.area, **self.acts(on))

    def fee(self, on, amount, words, household="1"):
        family = self.households[household]
        charges.charge_fee(household=family, on=on, description=words, amount=Decimal(amount), **self.acts(on))

    def void_period(self, on, number, whose="A"):
        charge = Charge.objects.get(agreement=self.agreements[whose], period=int(number) - 1, kind="rent", void_entry=None)
        charges.void_charge(charge=charge, reason="Made by mistake", **self.acts(on))

    def void_charge(self, on, number):
        charge = Charge.objects.exclude(kind="rent").order_by("pk")[int(number) - 1]
        charges.void_charge(charge=charge, reason="Made by mistake", **self.acts(on))

    def due_day(self, on, number, whose="A"):
        self.change(terms.change_due_day, on, whose, due_day=int(number))

    def protect(self, on, whose="A"):
        self.change(terms.add_protection, on, whose, price=Decimal(self.given_of(whose).get("protection", "0")))

    def unprotect(self, on, whose="A"):
        self.change(terms.drop_protection, on, whose)

    def change(self, operation, on, whose, **how):
        agreement = self.agreement(whose)
        free = first_free_period(agreement, agreement_life.list_segments(agreement), on)
        self.move(operation, on, whose, from_period=free, **how)

    def move(self, operation, on, whose, **how):
        """Make a move as its screen would send it, and return what it wrote into the timeline."""
        sent = agreement_life.Sent(uuid.uuid4(), signer="Alex Sample")
        return operation(agreement=self.agreement(whose), sent=sent, today=on, **how, **self.acts(on))

    def hold(self, on, whose="A"):
        self.move(holds.put_on_hold, on, whose, reason="Away")

    def recall(self, on, whose="A"):
        self.move(moves.recall_agreement, on, whose, reason="No answer.")

    def lift(self, on, whose="A", forgiven=""):
        is_recalled = agreement_life.get_open_hold(self.agreements[whose]).kind == "recall"
        self.move(holds.lift_recall if is_recalled else holds.lift_hold, on, whose, is_forgiven=bool(forgiven))

    def transfer(self, on, household, whose="A"):
        guardian = self.households[household].guardians.get(is_primary=True)
        event = self.move(moves.transfer_agreement, on, whose, guardian=guardian, shown="")
        self.follows(event, whose)

    def follows(self, event, whose):
        """Give the agreement that goes on without a new instrument the next letter."""
        letter = next_letter({*self.given, *self.agreements})
        self.agreements[letter], self.same_as[letter] = event.agreement, whose

    def given_of(self, whose):
        """What was given for the instrument on an agreement."""
        return self.given.get(whose) or self.given_of(self.same_as[whose])

    def void(self, on, whose="A"):
        self.move(moves.void_agreement, on, whose, location=LocationFactory(), reason="Wrong family")

    def exempt(self, on, until):
        TaxExemption.objects.create(
            household=self.households["1"],
            certificate_number="E-1",
            from_on=on,
            expires_on=datetime.date.fromisoformat(until),
            recorded_at=self.acts(on)["now"],
            recorded_by=self.user,
        )

    def close(self, on, month):
        months.close_month(first_day=datetime.date.fromisoformat(f"{month}-01"), today=on, **self.acts(on))

    # what comes of it

    def periods(self):
        letters = {agreement.pk: letter for letter, agreement in self.agreements.items()}
        rows = []
        found = Charge.objects.filter(kind="rent", void_entry=None).prefetch_related("lines")
        for charge in found:
            label = f"{letters[charge.agreement_id] if len(letters) > 1 else ''}{charge.period + 1}"
            days = (charge.period_ends_on - charge.period_begins_on).days
            amounts = (sum_of(charge, "rent"), sum_of(charge, "protection"), sum_of(charge, tax=True), sum_of(charge, tax=None))
            rows.append(
                [
                    (letters[charge.agreement_id], charge.period),
                    label,
                    str(charge.period_begins_on),
                    str(charge.period_ends_on),
                    str(days),
                    *map(str, amounts),
                ]
            )
        return [row for _, *row in sorted(rows)]

    def charges(self):
        found = Charge.objects.exclude(kind="rent").filter(void_entry=None).order_by("pk").prefetch_related("lines")
        return [
            [
                {"sale": "goods"}.get(charge.kind, charge.kind),
                str(charge.due_on),
                *(str(sum_of(charge, tax=tax)) for tax in (False, True, None)),
            ]
            for charge in found
        ]

    def figures(self, on, whose):
        agreement = self.agreement(whose)
        account = queries.get_household_account(agreement.household_id, today=on)
        credit = queries.sum_rental_credit(agreement.pk, on=on)
        payoff = str(purchases.price_own(agreement, on=on).total) if agreement.is_open else "-"
        amounts = (account.balance, account.unapplied, credit.credit, credit.step_up_credit)
        return [*(str(cents(each)) for each in amounts), payoff]


def next_letter(taken):
    """The first letter that nobody has."""
    return next(letter for letter in string.ascii_uppercase if letter not in taken)


def sum_of(charge, *kinds, tax=False):
    """Add up the lines of a charge: of some kinds, without tax, only tax, or (None) both."""
    lines = charge.lines.all()
    return sum((each.amount for each in lines if (not kinds or each.kind in kinds) and tax in {None, each.is_tax}), ZERO)
