"""What does not go by the book: returned payments, exchanges, repairs with a loaner out, losses, and today's desk."""

import datetime
from typing import Any

from django.db.models import QuerySet

from billing import overdue, returned_papers
from billing.models import Payment
from rentals.agreements.models import Agreement, AgreementUnit
from rentals.counter.demo import (
    autopay,
    bank,
    bench,
    cards,
    closing,
    deliveries,
    leaving,
    money,
    owing,
    papers,
    parting,
    staying,
    taking,
    van,
)
from rentals.counter.demo.history import Story
from rentals.inventory import operations as fleet_operations
from rentals.inventory.models import Custody, Instrument, WorkOrder
from rentals.runtime.statistics import check_what_waits
from rentals.staff.models import Role

PROBLEMS = {
    "woodwind": "A pad has fallen out; low notes do not speak.",
    "brass": "The slide or a valve sticks; there is a dent at the bow.",
    "string": "The bridge has fallen and the D string is broken.",
}


def let_happen(story: Story) -> None:
    """Add one of each, in an order in which every move is possible."""
    check_what_waits()
    steady = list(_steady_agreements(story))
    _return_payments(story)
    waiting = dict.fromkeys(PROBLEMS, 2)
    untouched, orders = [], []
    bench.set_up(story)
    for agreement in steady:
        family = agreement.item.kind.family
        if waiting.get(family):
            waiting[family] -= 1
            orders.append(_send_to_the_bench(story, agreement, PROBLEMS[family], with_loaner=waiting[family] == 0))
        else:
            untouched.append(agreement)
    bench.bring_on(story, orders)
    papers.write_estimates(story, orders)
    bench.repair_own_fleet(story)
    leaving.let_leave(story, reversed(untouched))
    owing.leave_unpaid(story)
    _write_to_the_late(story)
    money.let_happen(story)
    staying.let_stay(story, money.list_families_without_debt(story)[-4:])
    owing.let_happen(story)
    autopay.put_on_autopay(story)
    _clean(story)
    papers.remind_of_cleanings(story)
    _lend_to_a_school(story)
    parting.let_part(story)
    cards.pay_by_card(story)
    taking.count_days_down(story)
    bank.bank_history(story)
    closing.close_months(story)
    deliveries.receive_order(story)
    van.fill_the_weeks(story)


def _steady_agreements(story: Story) -> QuerySet[Agreement]:
    """Open agreements of families that pay, some months old."""
    prompt = [f.household.pk for f in story.families if f.habit == "prompt"]
    return (
        Agreement.objects.filter(
            ended_on=None, household__in=prompt, starts_on__lt=story.today - datetime.timedelta(days=100), followed_by=None
        )
        .select_related("household", "guardian", "student", "programme__school", "item__kind", "plan_version")
        .order_by("-starts_on", "pk")
    )


def _unit(agreement: Agreement) -> Instrument:
    unit = agreement.units.select_related("instrument__item__kind").get(role="rented", ended_at=None)
    return unit.instrument


def _twin(story: Story, instrument: Instrument) -> Instrument | None:
    """An instrument of the same kind from the shelf."""
    for position, other in enumerate(story.shelf):
        if other.item.kind_id == instrument.item.kind_id and other.item.tier == instrument.item.tier:
            return story.shelf.pop(position)
    return None


def _return_payments(story: Story) -> None:
    """Two checks bounced, one of them weeks ago."""
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    cheques = Payment.objects.filter(method="cheque", deposit__isnull=False).order_by("-received_on", "-pk")
    for days, reason in [(6, "Insufficient funds"), (24, "Account closed")]:
        day = story.today - datetime.timedelta(days=days)
        payment = cheques.filter(received_on__lte=day - datetime.timedelta(days=4), payment_return=None).first()
        if payment is not None:
            returned_papers.return_and_tell(
                payment=payment, reason=reason, returned_on=day, acting_user=bookkeeper, now=story.now
            )


def _send_to_the_bench(story: Story, agreement: Agreement, problem: str, *, with_loaner: bool) -> WorkOrder:
    instrument = _unit(agreement)
    loaner = _twin(story, instrument) if with_loaner else None
    tag = loaner.asset_tag if loaner else ""
    return bench.take_in(story, instrument, problem, days_ago=story.chance.randrange(1, 6), loaner_tag=tag)


def _write_to_the_late(story: Story) -> None:
    """Whoever was late has been reminded, step by step; what fell due in the last days is for today."""
    for days in (170, 150, 130, 110, 90, 70, 50, 30, 12):
        day = story.today - datetime.timedelta(days=days)
        overdue.take_overdue_steps(today=day, now=story.at(day), acting_user=story.shop.people[Role.BOOKKEEPER.value])


def _clean(story: Story) -> None:
    """The fleet has had its annual cleaning within the year, but for one in nine, and the two rented longest: due lately."""
    instruments = list(Instrument.objects.order_by("pk"))
    out = AgreementUnit.objects.filter(ended_at=None, role=AgreementUnit.Role.RENTED, instrument__custodies__place="family")
    out = out.filter(instrument__custodies__ended_at=None, agreement__ended_on=None)
    longest = set(out.order_by("agreement__starts_on", "pk").values_list("instrument", flat=True)[:2])
    for position, instrument in enumerate(instruments):
        is_due = position % 9 == 4 or instrument.pk in longest
        days = story.chance.randrange(370, 420) if is_due else story.chance.randrange(10, 350)
        instrument.last_cleaned_on = story.today - datetime.timedelta(days=days)
    Instrument.objects.bulk_update(instruments, ["last_cleaned_on"])


def _ago(story: Story, days: int) -> datetime.datetime:
    return story.now - datetime.timedelta(days=days)


def _lend_to_a_school(story: Story) -> None:
    for programme in story.shop.programmes[:2]:
        _move(
            story,
            story.shelf.pop(),
            Custody.Place.SCHOOL,
            "Lent to the school for its demonstration evening",
            school=programme.school,
        )


def _move(story: Story, instrument: Instrument, place: str, reason: str, **keeper: Any) -> None:
    fleet_operations.move_instrument(
        instrument=instrument,
        place=place,
        reason=reason,
        acting_user=story.shop.people[Role.TECHNICIAN.value],
        now=story.now,
        **keeper,
    )
