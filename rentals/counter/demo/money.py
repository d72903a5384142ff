"""What happens to families' money beside bills and payments: one of each, so that every screen has something to show."""

import datetime
import uuid
from decimal import Decimal

from billing import adjustments, payments, queries, refunds, write_offs
from billing.models import CreditNote, Payment
from rentals.agreements import exemptions
from rentals.agreements.changes import people as changes
from rentals.agreements.life import Sent
from rentals.agreements.models import Agreement, AgreementHold
from rentals.counter.demo.history import Story
from rentals.counter.life.operations import recall_agreement
from rentals.families.models import Guardian, Household
from rentals.staff.models import Role


def let_happen(story: Story) -> None:
    """Let two families be written off, one of them pay after all; and four others adjust, get back, be exempt and share."""
    _write_off(story)
    steady = iter(list_families_without_debt(story))
    for step in (_ask_for_an_adjustment, _pay_back, _exempt, _share):
        household = next(steady, None)
        if household is not None:
            step(story, household)


def _key(story: Story) -> uuid.UUID:
    return uuid.UUID(int=story.chance.getrandbits(128), version=4)


def list_families_without_debt(story: Story) -> list[Household]:
    """Families that rent and owe nothing, the newest first."""
    prompt = [family.household for family in reversed(story.families) if family.habit == "prompt"]
    renting = set(Agreement.objects.filter(ended_on=None, household__in=prompt).values_list("household_id", flat=True))
    found = [each for each in prompt if each.pk in renting and queries.sum_open_lines(each.pk) == 0]
    return found[:20]


def _write_off(story: Story) -> None:
    """The families that owe longest are recalled and written off; the second one pays a part after all."""
    manager = story.shop.people[Role.MANAGER.value]
    held = AgreementHold.objects.filter(until_on=None).values("agreement__household")
    made: list[CreditNote] = []
    for row in queries.list_overdue(story.today):
        renting = Agreement.objects.filter(household=row.household_id, ended_on=None).exclude(household__in=held).order_by("pk")
        agreement = next((each for each in renting if write_offs.sum_open_of_agreement(each) > 0), None)
        if agreement is None:
            continue
        recall_agreement(
            agreement=agreement,
            reason="Three letters without an answer",
            sent=Sent(_key(story)),
            acting_user=manager,
            now=story.now,
            today=story.today,
        )
        note = write_offs.write_off_agreement(
            agreement=agreement,
            amount=write_offs.sum_open_of_agreement(agreement),
            reason="Moved away, three letters and two calls without an answer",
            acting_user=manager,
            now=story.now,
        )
        made.append(note)
        if len(made) == 2:
            break
    if len(made) == 2:
        given = payments.PaymentGiven(Payment.Method.CASH, Decimal("20.00"), story.today)
        specialist = story.shop.people[Role.SPECIALIST.value]
        write_offs.take_recovery(credit_note=made[1], given=given, acting_user=specialist, now=story.now)


def _ask_for_an_adjustment(story: Story, household: Household) -> None:
    """Above the limit: it waits for the manager."""
    asked = adjustments.AdjustmentAsked(
        household, None, "less", Decimal("85.00"), "Three weeks without an instrument, promised at the counter"
    )
    specialist = story.shop.people[Role.SPECIALIST.value]
    adjustments.ask_for_adjustment(asked=asked, acting_user=specialist, now=story.now)


def _pay_back(story: Story, household: Household) -> None:
    """A family paid far ahead, and gets most of it back by check; the rest stays on account."""
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    before = refunds.get_on_account(household.pk, today=story.today).paid_in
    payments.record_payment(
        household=household,
        method=Payment.Method.TRANSFER,
        amount=Decimal("46.50"),
        received_on=story.today - datetime.timedelta(days=3),
        acting_user=bookkeeper,
        now=story.now,
    )
    given = refunds.RefundGiven("cheque", before + Decimal("30.00"), story.today, "Paid ahead by mistake", "5017")
    refunds.make_refund(household=household, given=given, acting_user=bookkeeper, now=story.now)


def _exempt(story: Story, household: Household) -> None:
    """A family whose certificate expires within two months."""
    certificate = exemptions.Certificate(
        "EX-20417", None, story.today - datetime.timedelta(days=320), story.today + datetime.timedelta(days=45)
    )
    exemptions.record_exemption(
        household=household,
        certificate=certificate,
        acting_user=story.shop.people[Role.BOOKKEEPER.value],
        now=story.now,
    )


def _share(story: Story, household: Household) -> None:
    """Two guardians share an agreement, sixty to forty, from today."""
    agreement = Agreement.objects.filter(household=household, ended_on=None).select_related("guardian").order_by("pk")[0]
    other = Guardian.objects.filter(household=household).exclude(pk=agreement.guardian_id).order_by("pk").first()
    if other is None:
        first = agreement.guardian
        other = Guardian.objects.create(
            household=household, given_name="Robin", family_name=first.family_name, is_primary=False, phone="", email=""
        )
    changes.share_payments(
        agreement=agreement,
        shares=((agreement.guardian, 60), (other, 40)),
        from_on=story.today,
        sent=Sent(_key(story)),
        acting_user=story.shop.people[Role.SPECIALIST.value],
        now=story.now,
        today=story.today,
    )
