"""Transfer: another guardian takes a rental over, of the household or of another, at the prices that were signed."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext as _

from rentals.agreements import errors, life, periods, promises, wording
from rentals.agreements.changes.paper import Change, instrument_of, lines_of, tell_family
from rentals.agreements.changes.people import end_shares
from rentals.agreements.life import Sent
from rentals.agreements.models import Agreement, AgreementUnit, LifeEvent, Signature
from rentals.agreements.moves import Move
from rentals.agreements.periods import PeriodToBill
from rentals.families import operations as families
from rentals.families.models import Consent, Guardian, Household
from rentals.inventory import operations as fleet
from rentals.runtime import locks
from rentals.runtime.money import cents
from rentals.runtime.templatetags.office import day as written
from rentals.runtime.templatetags.office import money
from rentals.staff import operations as staff_operations
from rentals.staff.models import User


class SameGuardianError(Exception):
    """The guardian has this agreement already."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(f"{agreement.guardian} has signed {agreement.number} already. Choose another guardian.")


@dataclass(frozen=True)
class Takeover:
    """Who takes over, and from which period of the old agreement on the new one is billed: the first that is not billed.

    `shown_sha256` is the SHA-256 of the text that the guardian was shown; empty when it was signed elsewhere.
    """

    guardian: Guardian
    from_period: int
    shown_sha256: str = ""


def takeover_text(agreement: Agreement, guardian: Guardian, first: PeriodToBill) -> tuple[wording.Section, ...]:
    """Return what the new guardian signs, in order: what is taken over, what it costs, what stays with the household before.

    State law decides whether an agreement may pass to another so; the shop's lawyer approves the text.
    """
    costs = _("Rent of %s a month before tax") % money(agreement.monthly_rent)
    costs += _(", and protection of %s") % money(first.protection) if first.protection else _(", without protection")
    stays = (
        _("What was billed before and is not paid yet stays on the account of the household, which is yours too.")
        if guardian.household_id == agreement.household_id
        else _("What %s was billed for before stays with that household: you do not owe it.") % agreement.household.name
    )
    return (
        wording.Section(
            _("What you take over"),
            (
                _("%(guardian)s takes over agreement %(number)s of %(day)s, %(what)s for %(student)s, with all its terms.")
                % {
                    "guardian": guardian,
                    "number": agreement.number,
                    "day": written(agreement.signed_at),
                    "what": instrument_of(agreement),
                    "student": agreement.student,
                },
                _("The plan is “%(plan)s”. The purchase price at signing was %(price)s; you answer for up to %(value)s.")
                % {
                    "plan": agreement.plan_version.title,
                    "price": money(agreement.purchase_price),
                    "value": money(agreement.replacement_value),
                },
            ),
        ),
        wording.Section(
            _("What you pay"),
            (
                _("%(costs)s, the first time on %(day)s. Rent paid so far counts on toward buying the instrument.")
                % {"costs": costs, "day": written(first.begins_on)},
                stays,
            ),
        ),
        wording.Section(_("The terms of the plan"), tuple(agreement.plan_version.terms.split("\n\n"))),
    )


@transaction.atomic
def transfer_agreement(
    *, agreement: Agreement, to: Takeover, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """End an agreement as transferred and let another guardian go on with it; return the line of the new one's timeline.

    Prices, plan and minimum term stay as signed; terms go on from the first period that is not billed; credit follows the chain;
    what is owed stays with the household before. Into another household the student goes along. The new guardian signs by
    typing the name (`sent.signer`). Sent again, it gives the same answer.
    Raises SameGuardianError, TermsChangedError when the text is no longer what was shown, and what `life.lock_for` raises.
    """
    guardian = to.guardian
    request = {"guardian": guardian.pk}
    done = life.claim(agreement=agreement, move=Move.TRANSFER, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locks.lock_rows(Household.objects.filter(pk__in=[agreement.household_id, guardian.household_id]))
    locked = life.lock_for(agreement=agreement, move=Move.TRANSFER, sent=sent)
    if guardian.pk == locked.guardian_id:
        raise SameGuardianError(locked)
    first = periods.period_at(life.list_segments(locked), to.from_period)
    text = takeover_text(locked, guardian, first)
    if to.shown_sha256 not in {"", wording.sha256_of(text)}:
        raise errors.TermsChangedError
    units = _end(locked, today, now)
    if guardian.household_id != locked.household_id:
        families.move_student(student=locked.student, household=guardian.household, acting_user=acting_user)
    made = _go_on(locked, to, acting_user, now, today=today)
    for unit in units:
        _keep_on(made, unit, acting_user, now)
    promises.carry_promise(before=locked, after=made, acting_user=acting_user, now=now)
    _sign(made, text, sent.signer, acting_user, now)
    taken = Change(_("Transfer of the agreement"), tuple(line for part in text for line in part.paragraphs), (), lines_of(first))
    return _tell(locked, made, taken, sent=sent, acting_user=acting_user, now=now, today=today)


def _end(locked: Agreement, today: date, now: datetime) -> list[AgreementUnit]:
    """End the agreement and its arrangement of payers; what is out stays out. Return the units that were on it."""
    end_shares(locked, today)
    units = list(locked.units.filter(ended_at=None).select_related("instrument").order_by("instrument"))
    for unit in units:
        unit.ended_at = now
        unit.save(update_fields=["ended_at"])
    locked.ended_on, locked.end_reason = today, Agreement.EndReason.TRANSFERRED
    locked.save(update_fields=["ended_on", "end_reason"])
    return units


def _go_on(before: Agreement, to: Takeover, acting_user: User, now: datetime, *, today: date) -> Agreement:
    """Write the agreement that goes on, with its terms."""
    segments = life.list_segments(before)
    protection = cents(segments[-1].protection / segments[-1].months)
    made = Agreement.objects.create(
        number=f"A-{staff_operations.take_number('agreement'):06d}",
        household=to.guardian.household,
        guardian=to.guardian,
        student=before.student,
        programme=before.student.programme,
        item=before.item,
        plan_version=before.plan_version,
        follows=before,
        follows_by=Agreement.FollowsBy.TRANSFER,
        signed_at=now,
        starts_on=today,
        monthly_rent=before.monthly_rent,
        monthly_protection=protection,
        purchase_price=before.purchase_price,
        replacement_value=before.replacement_value,
        minimum_until=before.minimum_until,
        received_at=before.received_at,
        tax_area=before.tax_area,
        signed_by=acting_user,
    )
    terms = periods.continued(segments, to.from_period, before.monthly_rent.amount, protection)
    life.write_terms(agreement=made, segments=terms, acting_user=acting_user, now=now)
    return made


def _keep_on(made: Agreement, unit: AgreementUnit, acting_user: User, now: datetime) -> None:
    """Put on the new agreement what was on the one before; what is with the family is the new household's from now on."""
    AgreementUnit.objects.create(agreement=made, instrument=unit.instrument, role=unit.role, began_at=now)
    fleet.hand_over(
        instrument=unit.instrument,
        household=made.household,
        reason=f"Transferred: {made.number}",
        acting_user=acting_user,
        now=now,
    )


def _sign(made: Agreement, text: tuple[wording.Section, ...], signer: str, acting_user: User, now: datetime) -> None:
    try:
        consent = families.record_consent(
            guardian=made.guardian,
            kind=Consent.Kind.ELECTRONIC_RECORDS,
            wording=wording.consent_wording(),
            wording_version=wording.CONSENT_VERSION,
            acting_user=acting_user,
            now=now,
        )
    except families.ConsentAlreadyGivenError as error:
        consent = error.consent
    Signature.objects.create(
        agreement=made,
        signer_name=signer,
        method=Signature.Method.TYPED,
        consent=consent,
        text_sha256=wording.sha256_of(text),
        signed_at=now,
    )


def _tell(
    before: Agreement, made: Agreement, taken: Change, *, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Write both timelines and both letters; the new guardian's carries the text that was signed."""
    who: dict[str, Any] = {"acting_user": acting_user, "now": now}
    kinds = LifeEvent.Kind
    gone = life.note_event(
        agreement=before, kind=kinds.TRANSFERRED, on=today, note=f"To {made.guardian}, as {made.number}", **who
    )
    life.note_event(agreement=made, kind=kinds.SIGNED, on=today, **who)
    event = life.note_event(
        agreement=made, kind=kinds.TRANSFERRED, on=today, note=f"From {before.guardian}, {before.number}", **who
    )
    tell_family(agreement=made, event=event, change=taken, signer=sent.signer, **who)
    with translation.override(before.household.language):
        said = (
            _("%(guardian)s has taken this rental over on %(day)s, as agreement %(number)s.")
            % {"guardian": made.guardian, "day": written(today), "number": made.number},
            _("Nothing more falls due on yours. What was billed before and is not paid yet stays on your account."),
        )
        told = Change(_("Your agreement is transferred"), said, in_english=False)
    tell_family(agreement=before, event=gone, change=told, **who)
    return life.keep(sent=sent, event=event)
