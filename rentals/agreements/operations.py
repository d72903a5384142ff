"""Every write about agreements: signing, ending, exchanging, lending a loaner. Terms (rates, plans) are written in `terms.py`."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import Exists, Q, QuerySet
from django.utils import timezone

from rentals.agreements import errors, life, paper, promises, queries, wording
from rentals.agreements.models import Agreement, AgreementGoods, AgreementUnit, LifeEvent, PlanVersion, Signature, UnitPromise
from rentals.agreements.periods import Segment
from rentals.agreements.quotes import Quote
from rentals.families import operations as family_operations
from rentals.families.models import Consent, Guardian, Household, Student
from rentals.inventory import operations as fleet_operations
from rentals.inventory import queries as fleet
from rentals.inventory.models import Custody, Instrument, Location, Product
from rentals.runtime import locks
from rentals.staff import operations as staff_operations
from rentals.staff.models import Office, User
from schools.models import Night, NightUnit, Programme


@dataclass(frozen=True)
class SignatureGiven:
    """How the guardian signed: by drawing (`strokes`, an SVG path) or by typing the name, and what it was consented to."""

    signer_name: str
    method: str
    consent_wording: str
    strokes: str = ""
    consent_version: str = wording.CONSENT_VERSION
    language: str = "en"
    device: str = ""


@dataclass(frozen=True)
class SignUp:
    """Everything a rental needs before it is signed. `goods` are (product, quantity) pairs.

    `follows` with `follows_by` name the agreement that this one takes the place of; `continues` are the terms by which it goes on
    from there, empty for terms that begin anew; with `prices_as_signed` its prices are those of the agreement it follows.
    `shown_sha256` is the SHA-256 of the text the family was shown; empty when it is
    made from records that were signed elsewhere.
    At a sign-up night (`night`) what is along there may be given out; `parties` are who and what the text named as it was shown
    there. With `promised` no instrument is given out yet: `instrument` then only says which model, and whether it is new.
    """

    request_key: UUID
    household: Household
    guardian: Guardian
    student: Student
    programme: Programme | None
    instrument: Instrument
    plan_version: PlanVersion
    protection: bool
    goods: tuple[tuple[Product, int], ...]
    received_at: str
    starts_on: date
    signature: SignatureGiven
    shown_sha256: str = ""
    follows: Agreement | None = None
    follows_by: str = ""
    continues: tuple[Segment, ...] = ()
    prices_as_signed: bool = False
    night: Night | None = None
    parties: wording.Parties | None = None
    promised: promises.Promised | None = None

    def fingerprint(self) -> dict[str, Any]:
        """What makes this request the same request."""
        return {
            "student": self.student.pk,
            "instrument": self.instrument.pk,
            "plan": self.plan_version.pk,
            "protection": self.protection,
            "goods": [[product.pk, quantity] for product, quantity in self.goods],
            "received_at": self.received_at,
            "starts_on": self.starts_on.isoformat(),
            "signer": self.signature.signer_name,
            "follows": self.follows and self.follows.pk,
        }


@transaction.atomic
def sign_agreement(*, signup: SignUp, acting_user: User, now: datetime, today: date) -> Agreement:
    """Make a signed agreement, put its instrument into the family's hands, and return it, numbered ("A-000001").

    The same request sent again returns the same agreement. May run inside a larger operation (the counter adds charges and
    payment). `today` is the office's calendar day; the agreement may not start after it.

    Raises InstrumentTakenError or InstrumentNotAvailableError with the next one like it, TermsChangedError when the text is no
    longer the one that was shown, NotOfThisHouseholdError, StartsLaterError, NoPlanVersionError, NoRateError, NoTaxAreaError,
    RowsBusyError.
    """
    answer = staff_operations.claim_request(
        key=signup.request_key, purpose="sign_agreement", request=signup.fingerprint(), acting_user=acting_user
    )
    if answer is not None:
        return Agreement.objects.get(pk=answer["agreement"])
    locks.lock_rows(Household.objects.filter(pk=signup.household.pk), Instrument.objects.filter(pk=signup.instrument.pk))
    instrument = signup.instrument
    if instrument.pk:
        instrument = Instrument.objects.select_related("item__kind").get(pk=instrument.pk)
    _check_people(signup, today)
    if signup.plan_version.published_at is None:
        raise queries.NoPlanVersionError(signup.plan_version.plan)
    if signup.promised is None:
        check_available(instrument, night=signup.night)
    quote = quote_for(signup, instrument)
    parties = parties_of(signup, instrument)
    sections = wording.agreement_sections(quote, signup.parties or parties)
    sha256 = wording.sha256_of(sections)
    if signup.shown_sha256 and signup.shown_sha256 != sha256:
        raise errors.TermsChangedError
    agreement, signature = _write_down(signup, quote, sha256, acting_user, now)
    if signup.promised is None:
        _give_out(agreement, instrument, AgreementUnit.Role.RENTED, acting_user, now, night=signup.night)
    else:
        promises.make_promise(agreement=agreement, promised=signup.promised, night=signup.night, now=now)
    signed = paper.Signed(agreement, quote, parties, sections, signature, signup.goods)
    paper.ask_for_signed_agreement(signed=signed, now=now)
    staff_operations.keep_answer(key=signup.request_key, answer={"agreement": agreement.pk})
    return agreement


def quote_for(signup: SignUp, instrument: Instrument) -> Quote:
    """Return what this sign-up costs: at today's rate card, or at the prices of the agreement it takes up again.

    What follows another agreement goes on by its terms, and keeps its minimum term: that is agreed to once.

    Raises NoRateError, NoTaxAreaError.
    """
    facts: dict[str, Any] = {
        "household_id": signup.household.pk,
        "instrument": instrument,
        "plan_version": signup.plan_version,
        "protection": signup.protection,
        "goods": signup.goods,
        "tax_area": queries.get_tax_area_of_receipt(signup.received_at, signup.household, signup.programme),
        "starts_on": signup.starts_on,
    }
    if signup.follows is None:
        return queries.quote(**facts)
    as_signed = signup.prices_as_signed
    quote = queries.quote_as_signed(agreement=signup.follows, **facts) if as_signed else queries.quote(**facts)
    return quote.following(signup.continues, minimum_until=signup.follows.minimum_until)


def parties_of(signup: SignUp, instrument: Instrument) -> wording.Parties:
    """Return who and what the text of this sign-up names."""
    return wording.Parties(
        office=Office.objects.first(),
        household=signup.household,
        guardian=signup.guardian,
        student=signup.student,
        programme=signup.programme,
        instrument=instrument,
        received_at=signup.received_at,
    )


def _check_people(signup: SignUp, today: date) -> None:
    if {signup.guardian.household_id, signup.student.household_id} != {signup.household.pk}:
        raise errors.NotOfThisHouseholdError
    if signup.starts_on > today:
        raise errors.StartsLaterError(signup.starts_on)
    follows = signup.follows
    if follows and follows.household_id != signup.household.pk and signup.follows_by != Agreement.FollowsBy.TRANSFER:
        raise errors.NotOfThisHouseholdError


def check_available(instrument: Instrument, *, night: Night | None = None) -> None:
    """Raise InstrumentTakenError or InstrumentNotAvailableError unless it is on a shelf, on no open agreement and not held.

    What is in the van and along at `night` counts as on a shelf.
    """
    units = AgreementUnit.objects.filter(instrument=instrument, ended_at=None)
    unit = units.select_related("agreement__household", "agreement__signed_by").first()
    if unit is not None:
        raise errors.InstrumentTakenError(instrument, unit.agreement, next_like(instrument))
    here = fleet.get_whereabouts(instrument)
    along = night and here and here.place == Custody.Place.VAN and _along(instrument, night).exists()
    if here is None or (here.place != Custody.Place.SHELF and not along):
        words = f"{here.words.lower()}{f' ({here.keeper})' if here.keeper else ''}" if here else "nowhere on record"
        raise errors.InstrumentNotAvailableError(instrument, words, next_like(instrument))
    hold = fleet.get_hold(instrument)
    if hold is not None:
        raise errors.InstrumentHeldError(instrument, hold, next_like(instrument))


def _along(instrument: Instrument, night: Night) -> QuerySet[NightUnit]:
    """Return the line of what is along at a night; missing at its end counts too: the sign-up of who has it may come late."""
    still = Q(ended_at=None) | Q(outcome=NightUnit.Outcome.MISSING)
    elsewhere = NightUnit.objects.filter(instrument=instrument, ended_at=None).exclude(night=night)
    return NightUnit.objects.filter(still, ~Exists(elsewhere), night=night, instrument=instrument)


def next_like(instrument: Instrument) -> Instrument | None:
    """Return the next available instrument of the same kind, size and tier; the same model first."""
    item = instrument.item
    found = fleet.find_available(item.kind_id, item.size, item.tier).exclude(pk=instrument.pk)
    return found.filter(item=item).first() or found.first()


def _write_down(signup: SignUp, quote: Quote, sha256: str, acting_user: User, now: datetime) -> tuple[Agreement, Signature]:
    prices = quote.prices
    agreement = Agreement.objects.create(
        number=f"A-{staff_operations.take_number('agreement'):06d}",
        household=signup.household,
        guardian=signup.guardian,
        student=signup.student,
        programme=signup.programme,
        item=quote.item,
        plan_version=signup.plan_version,
        follows=signup.follows,
        follows_by=signup.follows_by,
        signed_at=now,
        starts_on=signup.starts_on,
        monthly_rent=prices.monthly_rent,
        monthly_protection=prices.monthly_protection,
        purchase_price=prices.purchase_price,
        replacement_value=prices.replacement_value,
        minimum_until=quote.minimum_until,
        received_at=signup.received_at,
        tax_area=quote.tax_area,
        signed_by=acting_user,
    )
    life.note_event(agreement=agreement, kind=LifeEvent.Kind.SIGNED, on=signup.starts_on, acting_user=acting_user, now=now)
    life.write_terms(agreement=agreement, segments=quote.segments, acting_user=acting_user, now=now)
    AgreementGoods.objects.bulk_create(
        AgreementGoods(agreement=agreement, product=product, quantity=quantity, unit_price=product.price)
        for product, quantity in signup.goods
    )
    given = signup.signature
    signature = Signature.objects.create(
        agreement=agreement,
        signer_name=given.signer_name,
        method=given.method,
        strokes=given.strokes,
        consent=_consent(signup.guardian, given, acting_user, now),
        text_sha256=sha256,
        language=given.language,
        device=given.device[:200],
        signed_at=now,
    )
    return agreement, signature


def _consent(guardian: Guardian, given: SignatureGiven, acting_user: User, now: datetime) -> Consent:
    try:
        return family_operations.record_consent(
            guardian=guardian,
            kind=Consent.Kind.ELECTRONIC_RECORDS,
            wording=given.consent_wording,
            wording_version=given.consent_version,
            acting_user=acting_user,
            now=now,
        )
    except family_operations.ConsentAlreadyGivenError as error:
        return error.consent


def _give_out(
    agreement: Agreement,
    instrument: Instrument,
    role: str,
    acting_user: User,
    now: datetime,
    *,
    night: Night | None = None,
    waits_at: Location | None = None,
) -> AgreementUnit:
    """Put an instrument on an agreement and into the family's custody, or on the bench at `waits_at`.

    What was along at `night` is given out there.
    """
    try:
        with transaction.atomic():
            unit = AgreementUnit.objects.create(agreement=agreement, instrument=instrument, role=role, began_at=now)
    except IntegrityError as error:
        # The exclusion constraint spoke: somebody else put the instrument on an agreement in spite of the lock.
        check_available(instrument)
        raise errors.InstrumentNotAvailableError(instrument, "on another agreement", next_like(instrument)) from error
    fleet_operations.move_instrument(
        instrument=instrument,
        place=Custody.Place.BENCH if waits_at else Custody.Place.FAMILY,
        location=waits_at,
        household=None if waits_at else agreement.household,
        reason=f"{AgreementUnit.Role(role).label}: {agreement.number}{', waits to be brought' if waits_at else ''}",
        acting_user=acting_user,
        now=now,
    )
    for along in _along(instrument, night).order_by("-pk")[:1] if night else ():
        along.ended_at, along.ended_by, along.outcome = max(now, along.loaded_at), acting_user, NightUnit.Outcome.GIVEN
        along.save(update_fields=["ended_at", "ended_by", "outcome"])
    return unit


# Where an instrument goes when its agreement ends: to a place of the shop, or out of the fleet.
LEAVES_FLEET: dict[str, str] = {
    Agreement.EndReason.BOUGHT: Custody.Place.SOLD,
    Agreement.EndReason.LOST: Custody.Place.LOST,
    Agreement.EndReason.STOLEN: Custody.Place.LOST,
    Agreement.EndReason.DESTROYED: Custody.Place.RETIRED,
}


@transaction.atomic
def end_agreement(
    *,
    agreement: Agreement,
    reason: str,
    ended_on: date,
    acting_user: User,
    now: datetime,
    location: Location | None = None,
) -> Agreement:
    """End an agreement and take its instruments off it; return it as it ended.

    Bought: the instrument is sold; lost: it is lost; otherwise it goes back to the shelf at `location`, unless it is at the shop
    already. A loaner still out goes back to the shelf at `location` too. Written off: what the family still has is lost, rented
    or lent, and what is at the shop stays there.

    Raises AgreementEndedError when it had ended before, EndsBeforeItBeganError, NoPlaceToReturnError when `location` is needed.
    """
    locked: Agreement = locks.lock_one(Agreement.objects.filter(pk=agreement.pk))
    if not locked.is_open:
        raise errors.AgreementEndedError(locked)
    if ended_on < locked.starts_on:
        raise errors.EndsBeforeItBeganError(locked)
    for unit in locked.units.filter(ended_at=None).select_related("instrument").order_by("instrument"):
        _take_back(
            unit,
            _place_after(unit, reason),
            location=location,
            reason=Agreement.EndReason(reason).label,
            acting_user=acting_user,
            now=now,
        )
    promises.settle_promise(agreement=locked, given=None, acting_user=acting_user, now=now)
    locked.ended_on, locked.end_reason = ended_on, reason
    locked.save(update_fields=["ended_on", "end_reason"])
    return locked


def _place_after(unit: AgreementUnit, reason: str) -> str:
    """Return where an instrument goes when its agreement ends so; the shelf stands for the shop, wherever it is there."""
    if reason == Agreement.EndReason.WRITTEN_OFF:
        return Custody.Place.SHELF if _is_at_the_shop(unit.instrument) else Custody.Place.LOST
    leaves = LEAVES_FLEET.get(reason) if unit.role == AgreementUnit.Role.RENTED else None
    return leaves or Custody.Place.SHELF


def _is_at_the_shop(instrument: Instrument) -> bool:
    here = fleet.get_whereabouts(instrument)
    return here is not None and here.place in {Custody.Place.SHELF, Custody.Place.BENCH}


def _take_back(
    unit: AgreementUnit, place: str, *, location: Location | None, reason: str, acting_user: User, now: datetime
) -> None:
    here = fleet.get_whereabouts(unit.instrument)
    unit.ended_at = now
    unit.save(update_fields=["ended_at"])
    if place == Custody.Place.SHELF and (here is None or _is_at_the_shop(unit.instrument)):
        return
    if place == Custody.Place.SHELF and location is None:
        raise errors.NoPlaceToReturnError(unit.instrument)
    if here is not None and here.place == place:
        return
    fleet_operations.move_instrument(
        instrument=unit.instrument,
        place=place,
        location=location if place == Custody.Place.SHELF else None,
        reason=reason,
        acting_user=acting_user,
        now=now,
    )


@transaction.atomic
def exchange_agreement(
    *, agreement: Agreement, signup: SignUp, location: Location | None, acting_user: User, now: datetime, today: date
) -> Agreement:
    """End an agreement as exchanged and sign the next one, which follows it and takes its credit along; return the new one.

    `signup.follows` is set here. Sent again, the same request returns the same new agreement.
    Raises what `end_agreement` and `sign_agreement` raise.
    """
    made = Agreement.objects.filter(follows=agreement).first()
    if made is None:
        agreement = end_agreement(
            agreement=agreement,
            reason=Agreement.EndReason.EXCHANGED,
            ended_on=today,
            acting_user=acting_user,
            now=now,
            location=location,
        )
    fields = {name: getattr(signup, name) for name in signup.__dataclass_fields__}
    follows = {"follows": agreement, "follows_by": signup.follows_by or Agreement.FollowsBy.EXCHANGE}
    return sign_agreement(signup=SignUp(**{**fields, **follows}), acting_user=acting_user, now=now, today=today)


@transaction.atomic
def assign_loaner(*, agreement: Agreement, instrument: Instrument, acting_user: User, now: datetime) -> AgreementUnit:
    """Lend an instrument from the shelf while the rented one is at the shop; return the loaner's line on the agreement.

    Raises AgreementEndedError, LoanerOutError when one is out already, InstrumentTakenError, InstrumentNotAvailableError.
    """
    agreements, __ = locks.lock_rows(
        Agreement.objects.filter(pk=agreement.pk), Instrument.objects.filter(pk=instrument.pk), strength="no_key"
    )
    locked: Agreement = agreements[0]
    if not locked.is_open:
        raise errors.AgreementEndedError(locked)
    out = locked.units.filter(ended_at=None, role=AgreementUnit.Role.LOANER).select_related("instrument").first()
    if out is not None:
        raise errors.LoanerOutError(out.instrument)
    current = Instrument.objects.select_related("item__kind").get(pk=instrument.pk)
    check_available(current)
    return _give_out(locked, current, AgreementUnit.Role.LOANER, acting_user, now)


@transaction.atomic
def return_loaner(*, agreement: Agreement, location: Location, acting_user: User, now: datetime) -> AgreementUnit:
    """Take the loaner of an agreement back onto the shelf at `location`; return its ended line. Raises NoLoanerOutError."""
    locked: Agreement = locks.lock_one(Agreement.objects.filter(pk=agreement.pk))
    unit = locked.units.filter(ended_at=None, role=AgreementUnit.Role.LOANER).select_related("instrument").first()
    if unit is None:
        raise errors.NoLoanerOutError(locked)
    _take_back(
        unit, Custody.Place.SHELF, location=location, reason=f"Loaner back: {locked.number}", acting_user=acting_user, now=now
    )
    return unit


@transaction.atomic
def assign_unit(
    *,
    agreement: Agreement,
    instrument: Instrument,
    night: Night | None,
    acting_user: User,
    now: datetime,
    waits_at: Location | None = None,
) -> AgreementUnit:
    """Give the instrument that was promised at signing; return its line on the agreement.

    It comes from a shelf, or from what is along at `night`, and is with the family; with `waits_at` it stays in that shop until
    it is brought. Raises PromiseSettledError, OtherModelError when it is no instrument of the model that was signed for,
    InstrumentTakenError, InstrumentNotAvailableError.
    """
    found, __ = locks.lock_rows(
        Agreement.objects.filter(pk=agreement.pk), Instrument.objects.filter(pk=instrument.pk), strength="no_key"
    )
    locked: Agreement = found[0]
    if not UnitPromise.objects.filter(agreement=locked, settled_at=None).exists():
        raise promises.PromiseSettledError(locked)
    current = Instrument.objects.select_related("item__kind").get(pk=instrument.pk)
    if current.item_id != locked.item_id:
        raise errors.OtherModelError(current, locked)
    check_available(current, night=night)
    unit = _give_out(locked, current, AgreementUnit.Role.RENTED, acting_user, now, night=night, waits_at=waits_at)
    promises.settle_promise(agreement=locked, given=current, acting_user=acting_user, now=now)
    life.note_event(
        agreement=locked,
        kind=LifeEvent.Kind.ASSIGNED,
        on=timezone.localdate(now),
        acting_user=acting_user,
        now=now,
        note=current.asset_tag,
        detail={"instrument": current.pk},
    )
    return unit
