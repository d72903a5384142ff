"""What else can be so with an agreement on the scenario's last day: on hold, recalled, gone on with another guardian, signed just
now, and void. Done by the counter's own flows, so that together with `leaving` and `money` every state is there to be looked at.
"""

import uuid
from typing import Any

from billing import charges, payments, queries
from billing.models import Payment
from rentals.agreements import life, wording
from rentals.agreements import operations as agreements
from rentals.agreements.changes import holds
from rentals.agreements.models import Agreement, AgreementHold
from rentals.counter.demo.history import Story
from rentals.counter.demo.people import plays_in
from rentals.counter.life import operations
from rentals.families import operations as families
from rentals.families.models import Guardian, Household
from rentals.staff.models import Role


def let_stay(story: Story, households: list[Household]) -> None:
    """Recall from a family that owes; let the rest happen to one of these households each, which rent and owe nothing."""
    _recall(story)
    for step, household in zip((_hold, _transfer, _sign_today, _sign_by_mistake), households, strict=False):
        step(story, household)


def _sent(story: Story, signer: str = "") -> life.Sent:
    return life.Sent(uuid.UUID(int=story.chance.getrandbits(128), version=4), signer=signer)


def _by(story: Story, role: Role) -> dict[str, Any]:
    return {"acting_user": story.shop.people[role.value], "now": story.now, "today": story.today}


def _rented_by(household: Household) -> Agreement:
    return Agreement.objects.filter(household=household, ended_on=None).select_related("guardian", "household").order_by("pk")[0]


def _recall(story: Story) -> None:
    """The family that owes longest of those not recalled yet has two weeks to bring it back."""
    held = AgreementHold.objects.filter(until_on=None).values("agreement__household")
    for row in queries.list_overdue(story.today):
        renting = Agreement.objects.filter(household=row.household_id, ended_on=None).exclude(household__in=held)
        agreement = renting.order_by("pk").first()
        if agreement is not None:
            reason = "Two letters and a call without an answer"
            operations.recall_agreement(agreement=agreement, reason=reason, sent=_sent(story), **_by(story, Role.MANAGER))
            return


def _hold(story: Story, household: Household) -> None:
    reason = "The student is ill and plays again after the winter"
    holds.put_on_hold(agreement=_rented_by(household), reason=reason, sent=_sent(story), **_by(story, Role.MANAGER))


def _transfer(story: Story, household: Household) -> None:
    """The other guardian takes it over, in the same household."""
    agreement = _rented_by(household)
    other = Guardian.objects.filter(household=household).exclude(pk=agreement.guardian_id).order_by("pk").first()
    if other is None:
        other = Guardian.objects.create(
            household=household, given_name="Ellis", family_name=household.name, is_primary=False, phone="", email=""
        )
    sent = _sent(story, str(other))
    operations.transfer_agreement(agreement=agreement, guardian=other, shown="", sent=sent, **_by(story, Role.SPECIALIST))


def _sign_today(story: Story, household: Household) -> Agreement | None:
    """A brother or sister begins today: signed at the counter, the first month paid in cash."""
    like, by = _rented_by(household), _by(story, Role.SPECIALIST)
    programme = like.programme or story.shop.programmes[0]
    position = next((n for n, each in enumerate(story.shelf) if plays_in(programme, each.item)), None)
    if position is None:
        return None
    student = families.add_student(
        household=household,
        given_name="Wren",
        family_name=household.name,
        grade=6,
        programme=programme,
        acting_user=by["acting_user"],
    )
    signup = agreements.SignUp(
        request_key=uuid.UUID(int=story.chance.getrandbits(128), version=4),
        household=household,
        guardian=like.guardian,
        student=student,
        programme=programme,
        instrument=story.shelf.pop(position),
        plan_version=story.shop.plan_version,
        protection=True,
        goods=(),
        received_at=Agreement.ReceivedAt.COUNTER,
        starts_on=story.today,
        signature=agreements.SignatureGiven(str(like.guardian), "typed", wording.consent_wording(), device="Counter tablet"),
    )
    agreement = agreements.sign_agreement(signup=signup, **by)
    _pay_first_month(story, agreement)
    return agreement


def _pay_first_month(story: Story, agreement: Agreement) -> None:
    who: dict[str, Any] = {"acting_user": story.shop.people[Role.SPECIALIST.value], "now": story.now}
    charge = queries.charge_on_account(charges.charge_period(agreement=agreement, period=0, **who))
    payments.record_payment(
        household=agreement.household,
        method=Payment.Method.CASH,
        amount=charge.amount,
        received_on=story.today,
        cheque_number="",
        **who,
    )


def _sign_by_mistake(story: Story, household: Household) -> None:
    """Signed for the wrong child, and voided within the hour; what was paid stays on the account."""
    agreement = _sign_today(story, household)
    if agreement is not None:
        operations.void_agreement(
            agreement=agreement,
            location=story.shop.locations[0],
            reason="Signed for the wrong child",
            sent=_sent(story),
            **_by(story, Role.SPECIALIST),
        )
