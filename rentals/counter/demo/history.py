"""Eighteen months of an office's life, month by month: who signed, what was billed, who paid, what came back."""

import datetime
import random
import uuid
import zoneinfo
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal

from django.conf import settings
from django.db.models import Max, Prefetch, Sum

from billing import batches, charges, deposits, runs
from billing.models import Charge, Payment
from rentals.agreements import life, wording
from rentals.agreements import operations as agreement_operations
from rentals.agreements import queries as terms
from rentals.agreements.models import Agreement, AgreementGoods, AgreementUnit, PeriodTerms, Signature, TaxArea
from rentals.agreements.quotes import Quote, make_quote
from rentals.counter.demo import fleet
from rentals.counter.demo.people import Family, plays_in
from rentals.counter.demo.shop import Shop
from rentals.counter.life import buying
from rentals.families.models import Consent, Student
from rentals.inventory.models import Custody, Instrument, Product
from rentals.runtime.money import money
from rentals.runtime.statistics import check_what_waits, refresh_statistics
from rentals.staff.models import NumberSeries, Role

ARREARS_DAYS = [14, 30, 55, 95]
"""How long ago the families that stopped paying fell behind: one group for every step of reminding."""

KEPT_BACK = 4
STARTERS = 6
"""Every so many agreements one is signed under the plan with an introductory period and a fixed due day."""

ANALYZED_AFTER = {1, 5, 11}


@dataclass
class Story:
    """What the months hand on to each other."""

    shop: Shop
    families: list[Family]
    shelf: list[Instrument]
    opened_on: datetime.date
    today: datetime.date
    now: datetime.datetime
    chance: random.Random
    agreements: list[Agreement] = field(default_factory=list)
    cheque: int = 100
    _areas: dict[str, TaxArea] = field(default_factory=dict)
    _rates: dict[str, dict[str, Decimal]] = field(default_factory=dict)

    def tax_area(self, postal_code: str) -> TaxArea:
        """The area of a postal code, asked for once."""
        if postal_code not in self._areas:
            self._areas[postal_code] = terms.get_tax_area(postal_code)
        return self._areas[postal_code]

    def tax_rates(self, area: TaxArea) -> dict[str, Decimal]:
        """An area's rates, which never change in this scenario."""
        if area.pk not in self._rates:
            self._rates[area.pk] = terms.get_tax_rates(area, self.today)
        return self._rates[area.pk]

    def at(self, day: datetime.date, hour: int = 15) -> datetime.datetime:
        """An hour of the office's day, never later than now."""
        moment = datetime.datetime.combine(day, datetime.time(hour), tzinfo=zoneinfo.ZoneInfo(settings.TIME_ZONE))
        return min(moment, self.now)


def months(first: datetime.date, last: datetime.date) -> Iterator[tuple[datetime.date, datetime.date]]:
    """Yield (first day, last day) of each month from `first` to `last`, the ends cut to them."""
    begin = first
    while begin <= last:
        following = (begin.replace(day=1) + datetime.timedelta(days=32)).replace(day=1)
        yield begin, min(last, following - datetime.timedelta(days=1))
        begin = following


def live_through(story: Story, *, month_ends: Callable[[Story, datetime.date, datetime.date], None]) -> None:
    """Let the months pass until today; `month_ends` is told of each, with its first and last day, before the next begins."""
    stops = {f.household.pk: story.today - datetime.timedelta(days=ARREARS_DAYS[i % 4]) for i, f in _stopping(story)}
    for number, (begin, end) in enumerate(months(story.opened_on, story.today)):
        if story.opened_on < begin < story.today.replace(day=1):
            # The last month that is over waits for the bookkeeper.
            fleet.depreciate(story.shop, month=(begin - datetime.timedelta(days=1)).replace(day=1), now=story.at(begin))
        signed = _sign_families(story, [f for f in story.families if begin <= f.joined_on <= end])
        check_what_waits()
        _bill(story, signed, end)
        check_what_waits()
        if (story.today - end).days > 40:
            _bring_back(story, end)
        _collect(story, begin, end, stops)
        _deposit(story, begin, end)
        month_ends(story, begin, end)
        check_what_waits()
        if number in ANALYZED_AFTER:
            refresh_statistics()


def _stopping(story: Story) -> Iterator[tuple[int, Family]]:
    return enumerate(f for f in story.families if f.habit == "stops" and (story.today - f.joined_on).days > 130)


def _sign_families(story: Story, families: list[Family]) -> list[Agreement]:
    """Sign a month's families up, in bulk: the same rows a sign-up at the counter writes, without its document."""
    specialist = story.shop.people[Role.SPECIALIST.value]
    made: list[tuple[Agreement, Instrument, Student]] = []
    for family in families:
        for student in family.students:
            instrument = _take_from_shelf(story, student)
            if instrument is not None:
                made.append(
                    (_agreement(story, family, student, instrument, len(story.agreements) + len(made) + 1), instrument, student)
                )
    agreements = [agreement for agreement, _, _ in made]
    Agreement.objects.bulk_create(agreements)
    PeriodTerms.objects.bulk_create(row for a in agreements for row in _terms(story, a))
    AgreementUnit.objects.bulk_create(AgreementUnit(agreement=a, instrument=i, began_at=a.signed_at) for a, i, _ in made)
    signed_at = {instrument.pk: agreement.signed_at for agreement, instrument, _ in made}
    on_the_shelf = list(Custody.objects.filter(instrument__in=signed_at, ended_at=None))
    for custody in on_the_shelf:
        custody.ended_at = signed_at[custody.instrument_id]
    Custody.objects.bulk_update(on_the_shelf, ["ended_at"])
    Custody.objects.bulk_create(
        Custody(
            instrument=i,
            place="family",
            household=a.household,
            began_at=a.signed_at,
            reason=f"Rented: {a.number}",
            moved_by=specialist,
        )
        for a, i, _ in made
    )
    _sign_papers(story, made)
    story.agreements += agreements
    NumberSeries.objects.update_or_create(name="agreement", defaults={"last_number": len(story.agreements)})
    return agreements


def _take_from_shelf(story: Story, student: Student) -> Instrument | None:
    """Take the first that fits; of every model a few stay on the shelf for whoever comes tomorrow."""
    left = Counter(instrument.item_id for instrument in story.shelf)
    for position, instrument in enumerate(story.shelf):
        if left[instrument.item_id] > KEPT_BACK and plays_in(student.programme, instrument.item) and _fits(student, instrument):
            return story.shelf.pop(position)
    return None


def _fits(student: Student, instrument: Instrument) -> bool:
    """Small sizes for small grades; advancing models for the upper ones."""
    grade = student.grade or 6
    small = instrument.item.size in {"1/4", "1/2", "13 in"}
    return (grade < 6 or not small) and (grade >= 8 or instrument.item.tier == "beginner")


def _agreement(story: Story, family: Family, student: Student, instrument: Instrument, number: int) -> Agreement:
    item, shop = instrument.item, story.shop
    rate = shop.rates[item.kind_id, item.tier]
    starter = family.habit == "prompt" and number % STARTERS == 0
    received_at = story.chance.choices(["counter", "school", "home"], [55, 35, 10])[0]
    return Agreement(
        number=f"A-{number:06d}",
        household=family.household,
        guardian=family.guardian,
        student=student,
        programme=student.programme,
        item=item,
        plan_version=shop.starter_version if starter else shop.plan_version,
        signed_at=story.at(family.joined_on),
        starts_on=family.joined_on,
        monthly_rent=rate.monthly_rent,
        monthly_protection=rate.monthly_protection if story.chance.random() < 0.7 else money(0),
        purchase_price=item.purchase_price,
        replacement_value=item.replacement_value,
        received_at=received_at,
        tax_area=_tax_area(story, received_at, family, student),
        signed_by=shop.specialists[number % 5 // 3],
    )


def _terms(story: Story, agreement: Agreement) -> list[PeriodTerms]:
    """What a family's rental bills by its plan, from its first day."""
    quote = _quote(story, agreement, ())
    return life.terms_rows(agreement, quote.segments, acting_user=agreement.signed_by, now=agreement.signed_at)


def _quote(story: Story, agreement: Agreement, kit: tuple[tuple[Product, int], ...]) -> Quote:
    """What this family was quoted."""
    item = agreement.item
    return make_quote(
        item=item,
        plan_version=agreement.plan_version,
        rate=story.shop.rates[item.kind_id, item.tier],
        protection=agreement.monthly_protection.amount > 0,
        goods=kit,
        tax_area=agreement.tax_area,
        tax_rates=story.tax_rates(agreement.tax_area),
        starts_on=agreement.starts_on,
    )


def _tax_area(story: Story, received_at: str, family: Family, student: Student) -> TaxArea:
    """The area of the place where it is received: the shop, the school or the family's home."""
    if received_at == "home":
        return story.tax_area(family.household.postal_code)
    if received_at == "school" and student.programme is not None:
        return story.tax_area(student.programme.school.postal_code)
    return story.tax_area(story.shop.office.postal_code)


def _sign_papers(story: Story, made: list[tuple[Agreement, Instrument, Student]]) -> None:
    """Consent, signature and kit of the month's agreements."""
    specialist = story.shop.people[Role.SPECIALIST.value]
    consents = {
        a.guardian_id: Consent(
            guardian=a.guardian,
            kind=Consent.Kind.ELECTRONIC_RECORDS,
            wording=wording.consent_wording(),
            wording_version=wording.CONSENT_VERSION,
            given_at=a.signed_at,
            taken_by=specialist,
        )
        for a, _, _ in made
    }
    Consent.objects.bulk_create(consents.values())
    goods: list[AgreementGoods] = []
    signatures: list[Signature] = []
    for agreement, instrument, _ in made:
        kit = story.shop.kit.get(instrument.item.kind_id, []) if story.chance.random() < 0.35 else []
        goods += [AgreementGoods(agreement=agreement, product=p, quantity=q, unit_price=p.price) for p, q in kit]
        signatures.append(
            Signature(
                agreement=agreement,
                signer_name=str(agreement.guardian),
                method="typed",
                consent=consents[agreement.guardian_id],
                text_sha256=_text_sha256(story, agreement, instrument, tuple(kit)),
                signed_at=agreement.signed_at,
                device="Counter tablet",
            )
        )
    AgreementGoods.objects.bulk_create(goods)
    Signature.objects.bulk_create(signatures)


def _text_sha256(story: Story, agreement: Agreement, instrument: Instrument, kit: tuple[tuple[Product, int], ...]) -> str:
    """The fingerprint of the very text this family would have been shown."""
    quote = _quote(story, agreement, kit)
    parties = wording.Parties(
        office=story.shop.office,
        household=agreement.household,
        guardian=agreement.guardian,
        student=agreement.student,
        programme=agreement.programme,
        instrument=instrument,
        received_at=agreement.received_at,
    )
    return wording.sha256_of(wording.agreement_sections(quote, parties))


def _bill(story: Story, signed: list[Agreement], end: datetime.date) -> None:
    """Charge the kit of the month's new agreements, then run the month's billing."""
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    newly = Agreement.objects.filter(pk__in=[a.pk for a in signed]).select_related("household", "tax_area", "signed_by")
    for agreement in newly.prefetch_related(Prefetch("goods", AgreementGoods.objects.select_related("product").order_by("pk"))):
        goods = [
            charges.Goods(description=f"{line.quantity} × {line.product.name}", amount=line.unit_price.amount * line.quantity)
            for line in agreement.goods.all()
        ]
        if goods:
            charges.charge_goods(
                household=agreement.household,
                on=agreement.starts_on,
                goods=goods,
                tax_area=agreement.tax_area,
                acting_user=agreement.signed_by,
                now=story.at(agreement.starts_on),
                agreement=agreement,
            )
    run = runs.start_run(through_on=end, acting_user=bookkeeper, now=story.at(end, 2))
    runs.continue_run(run.pk, now=story.at(end, 2))


def _collect(story: Story, begin: datetime.date, end: datetime.date, stops: dict[int, datetime.date]) -> None:
    """Take this month's payments: each family pays what it owes a few days after it fell due, some later, some no more."""
    owed = (
        Charge.objects.filter(void_entry=None)
        .values("household_id")
        .annotate(charged=Sum("lines__amount"), last_due=Max("due_on"))
        .order_by("household_id")
    )
    paid = dict(Payment.objects.filter(payment_return=None).values_list("household_id").annotate(Sum("amount")))
    late = {f.household.pk for f in story.families if f.habit == "late"}
    taken = []
    for row in owed:
        key, balance = row["household_id"], row["charged"] - paid.get(row["household_id"], Decimal(0))
        day = row["last_due"] + datetime.timedelta(days=story.chance.choice([0, 0, 0, 1, 2, 4]) + (12 if key in late else 0))
        if balance > 0 and day <= min(story.today, stops.get(key, story.today)):
            taken.append(_payment(story, key, balance, day))
    batches.record_payments(
        taken=sorted(taken, key=lambda t: (t.received_on, t.household_id)), acting_user=story.shop.people[Role.BOOKKEEPER.value]
    )


def _payment(story: Story, household_id: int, amount: Decimal, day: datetime.date) -> batches.PaymentTaken:
    method = story.chance.choices([Payment.Method.TRANSFER, Payment.Method.CHEQUE, Payment.Method.CASH], [50, 38, 12])[0]
    story.cheque += 1
    number = str(1000 + story.cheque) if method == Payment.Method.CHEQUE else ""
    return batches.PaymentTaken(household_id, method, amount, day, taken_at=story.at(day, 17), cheque_number=number)


def _deposit(story: Story, begin: datetime.date, end: datetime.date) -> None:
    """Take cash and checks to the bank every Friday; the last days' money is still in the drawer."""
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    day = begin + datetime.timedelta(days=(4 - begin.weekday()) % 7)
    while day <= min(end, story.today - datetime.timedelta(days=3)):
        on_hand = Payment.objects.filter(deposit=None, received_on__lte=day, payment_return=None).exclude(
            method=Payment.Method.TRANSFER
        )
        if on_hand.exists():
            deposits.make_deposit(payments=list(on_hand), deposited_on=day, acting_user=bookkeeper, now=story.at(day, 16))
        day += datetime.timedelta(days=7)


def _bring_back(story: Story, end: datetime.date) -> None:
    """Some families stop each month: most bring the instrument back, some buy it."""
    specialist = story.shop.people[Role.SPECIALIST.value]
    open_ones = (
        Agreement.objects.filter(ended_on=None, starts_on__lt=end - datetime.timedelta(days=60))
        .select_related("item", "plan_version", "household", "tax_area")
        .order_by("pk")
    )
    for agreement in open_ones:
        leaving = 0.05 if end.month in {5, 6} else 0.014
        if story.chance.random() >= leaving:
            continue
        if story.chance.choices(["returned", "bought"], [85, 15])[0] == "bought":
            _sell(story, agreement, end)
            continue
        unit = agreement.units.select_related("instrument__item__kind").get(ended_at=None)
        agreement_operations.end_agreement(
            agreement=agreement,
            reason=Agreement.EndReason.RETURNED,
            ended_on=end,
            acting_user=specialist,
            now=story.at(end),
            location=story.shop.locations[0],
        )
        story.shelf.append(unit.instrument)


def _sell(story: Story, agreement: Agreement, day: datetime.date) -> None:
    """The family buys what it plays; what is left of the price is paid with its next payment."""
    buying.buy(
        agreement=agreement,
        terms=buying.Terms(),
        sent=life.Sent(uuid.UUID(int=story.chance.getrandbits(128), version=4)),
        acting_user=story.shop.people[Role.SPECIALIST.value],
        now=story.at(day),
        today=day,
    )
