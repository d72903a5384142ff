"""What must hold before an envelope becomes an agreement, and the agreement: by the counter's own sign-up, no second way."""

import dataclasses
import datetime

from django.db import transaction
from django.utils import timezone

from billing.ledger import MonthClosedError
from billing.payments import ChequeNumberMissingError
from billing.taking.days import TakingClosedError
from rentals.agreements import errors, life, operations, queries, wording
from rentals.agreements.models import Agreement, LifeEvent, PlanVersion, SignUpDraft
from rentals.agreements.promises import Promised
from rentals.counter.nights.intake.envelope import UNPAID, Envelope
from rentals.counter.nights.intake.people import FamilyGoneError, People, find_or_make
from rentals.counter.signup.operations import FirstPayment, FirstPaymentTooSmallError, complete_sign_up
from rentals.families.models import Guardian, Household, Student
from rentals.inventory.models import CatalogueItem, Instrument, Product
from rentals.inventory.operations import MoveBeforeLastMoveError
from rentals.inventory.queries import get_whereabouts
from rentals.portal import operations as portal
from rentals.runtime.templatetags.office import day, money
from rentals.staff.models import Office, User
from schools.models import Night, Programme

DAYS_BACK = 14
"""So many days after the evening a sign-up still becomes an agreement of that evening by itself; later a person decides."""


class NeedsAPersonError(Exception):
    """The sign-up is whole, but a person must decide; `reason` is a code, `differs` rows of (what, shown, now)."""

    def __init__(self, reason: str, why: str, differs: tuple[tuple[str, str, str], ...] = ()) -> None:
        self.reason, self.why, self.differs = reason, why, differs
        super().__init__(why)


REASONS: dict[type[Exception], str] = {
    MonthClosedError: "month_closed",
    TakingClosedError: "taking_closed",
    FamilyGoneError: "family",
    FirstPaymentTooSmallError: "paid_less",
    ChequeNumberMissingError: "cheque",
    MoveBeforeLastMoveError: "moved_since",
    queries.NoRateError: "no_price",
    queries.NoTaxAreaError: "no_tax_area",
    queries.NoPlanVersionError: "no_plan",
    errors.TermsChangedError: "text",
    errors.NotOfThisHouseholdError: "family",
}
"""What keeps a sign-up from being taken in by itself, by what was raised; each says why in its own sentence."""


@dataclasses.dataclass(frozen=True)
class Moment:
    """When an envelope is taken in: `now` and `today` of the office, and `signed_at`, the evening's moment it counts from."""

    now: datetime.datetime
    today: datetime.date
    signed_at: datetime.datetime


def moment_of(envelope: Envelope, night: Night, *, now: datetime.datetime, today: datetime.date) -> Moment:
    """Return the moment a sign-up counts from: by the tablet's clock where that says the night's own day, never later than now.

    A clock that says another day is wrong: then it is now on the evening itself, the evening's end afterwards.
    """
    signed = envelope.signed_at
    if timezone.localdate(signed) != night.on:
        ended = timezone.make_aware(datetime.datetime.combine(night.on, night.ends_at))
        signed = now if today == night.on else ended
    return Moment(now, today, min(signed, now))


def sign(
    envelope: Envelope,
    night: Night,
    moment: Moment,
    acting_user: User,
    *,
    right: Envelope | None = None,
    less_agreed: bool = False,
) -> Agreement:
    """Make the agreement of an envelope; inside the operation that takes it in, its night locked.

    `right` is the envelope with typed mistakes corrected: the family is written down so, and the text stays as it was signed.
    `less_agreed`: a manager who takes it in after all agreed that less was paid than is due. Who pays by card or bank account
    afterwards owes what is due from the evening on, as at the counter when nothing is taken; at a night that takes no manager.

    Where the instrument is gone or not along, the agreement is made with a promise. Raises NeedsAPersonError: nothing was made.
    """
    _check_day(night, moment)
    families, paid = right or envelope, envelope.payment
    method = "cash" if paid.method in UNPAID else paid.method
    payment = FirstPayment(method, paid.amount, paid.cheque_number, less_agreed or paid.is_later)
    try:
        return _sign(envelope, families, night, moment, acting_user, payment=payment)
    except errors.InstrumentNotAvailableError as error:
        why = f"{error.instrument.asset_tag} was not free any more: it is {place_of(error)}."
        return _sign(envelope, families, night, moment, acting_user, payment=payment, gone=why)


def place_of(error: errors.InstrumentNotAvailableError) -> str:
    """Say where an instrument is without naming a family."""
    return f"on agreement {error.holder.number}" if isinstance(error, errors.InstrumentTakenError) else error.where.split(" (")[0]


def _check_day(night: Night, moment: Moment) -> None:
    if night.state == Night.State.CALLED_OFF:
        raise NeedsAPersonError("called_off", "This night was called off.")
    if night.on > moment.today:
        raise NeedsAPersonError("too_early", f"This night is on {day(night.on)}: a rental cannot begin before its day.")
    if (moment.today - night.on).days > DAYS_BACK:
        raise NeedsAPersonError("too_late", f"It arrived more than {DAYS_BACK} days after the night.")


def _sign(
    envelope: Envelope,
    families: Envelope,
    night: Night,
    moment: Moment,
    acting_user: User,
    *,
    payment: FirstPayment,
    gone: str = "",
) -> Agreement:
    """Sign in a savepoint; `gone` says why the instrument named is not given out."""
    try:
        with transaction.atomic():
            people = find_or_make(families, _programme(envelope, night), acting_user)
            signup = _read_sign_up(envelope, night, people, gone)
            _check_same(envelope, signup)
            draft = SignUpDraft.objects.create(
                pk=envelope.id, user=acting_user, household=signup.household, updated_at=moment.now
            )
            agreement = complete_sign_up(
                draft=draft,
                signup=signup,
                payment=payment,
                acting_user=acting_user,
                now=_not_before_it_came(signup, moment),
                today=night.on,
            )
            if envelope.payment.is_later:
                _note_later(agreement, night, acting_user, _not_before_it_came(signup, moment))
            _mark_home_form(envelope, moment)
            return agreement
    except tuple(REASONS) as error:
        reason = next(code for sort, code in REASONS.items() if isinstance(error, sort))
        raise NeedsAPersonError(reason, str(error)) from error


def _read_sign_up(envelope: Envelope, night: Night, people: People, gone: str) -> operations.SignUp:
    programme = _programme(envelope, night)
    version = PlanVersion.objects.select_related("plan").filter(pk=envelope.plan_version, published_at__isnull=False).first()
    item = CatalogueItem.objects.select_related("kind").filter(pk=envelope.item).first()
    if version is None or item is None:
        raise NeedsAPersonError("no_plan", "The plan or the model that was chosen is not there any more.")
    _check_once(people, item, night)
    named = _instrument(envelope, item)
    if named and (named.grade == Instrument.Grade.NEW) != envelope.is_new:
        raise NeedsAPersonError("condition", f"{named.asset_tag} is not what was shown: new there, used here, or the other way.")
    shown = named or Instrument(item=item, grade=Instrument.Grade.NEW if envelope.is_new else Instrument.Grade.GOOD)
    why = gone or ("" if named else "To be assigned: no instrument was chosen at the night.")
    return operations.SignUp(
        request_key=envelope.id,
        household=people.household,
        guardian=people.guardian,
        student=people.student,
        programme=programme,
        instrument=Instrument(item=item, grade=shown.grade) if gone else shown,
        plan_version=version,
        protection=envelope.protection,
        goods=_goods(envelope),
        received_at=Agreement.ReceivedAt.SCHOOL,
        starts_on=night.on,
        signature=_signature(envelope),
        shown_sha256=envelope.shown.text_sha256,
        night=night,
        parties=_parties(envelope, people, shown, programme),
        promised=Promised(why, named) if why else None,
    )


def _parties(envelope: Envelope, people: People, shown: Instrument, programme: Programme | None) -> wording.Parties:
    """Return who and what the text named on the tablet: a new family as it was typed there, a known one by its number."""
    home, adult, child = envelope.household, envelope.guardian, envelope.student
    return wording.Parties(
        office=Office.objects.first(),
        household=Household(**home) if isinstance(home, dict) else people.household,
        guardian=Guardian(**adult) if isinstance(adult, dict) else people.guardian,
        student=Student(**child) if isinstance(child, dict) else people.student,
        programme=programme,
        instrument=shown,
        received_at=Agreement.ReceivedAt.SCHOOL,
        by_number=isinstance(home, int),
    )


def _programme(envelope: Envelope, night: Night) -> Programme | None:
    if envelope.programme is None:
        return None
    programme = night.programmes.select_related("school").filter(pk=envelope.programme).first()
    if programme is None:
        raise NeedsAPersonError("programme", "The programme that was chosen is not asked to this night any more.")
    return programme


def _instrument(envelope: Envelope, item: CatalogueItem) -> Instrument | None:
    if envelope.instrument is None:
        return None
    found = Instrument.objects.select_related("item__kind").filter(pk=envelope.instrument).first()
    if found is None or found.item_id != item.pk:
        raise NeedsAPersonError("instrument", "The instrument that was chosen is of another model at the office.")
    return found


def _goods(envelope: Envelope) -> tuple[tuple[Product, int], ...]:
    products = Product.objects.in_bulk([product for product, _ in envelope.goods])
    if len(products) < len(envelope.goods):
        raise NeedsAPersonError("goods", "Something taken along is not in the shop's list any more.")
    return tuple((products[product], quantity) for product, quantity in envelope.goods)


def _signature(envelope: Envelope) -> operations.SignatureGiven:
    given = envelope.signature
    if given["consent_version"] != wording.CONSENT_VERSION:
        raise NeedsAPersonError("consent", "The consent to electronic records was given to words that hold no more.")
    return operations.SignatureGiven(
        signer_name=given["signer_name"],
        method=given["method"],
        strokes=given["strokes"],
        consent_wording=wording.consent_wording(),
        language=envelope.language,
        device=f"tablet {envelope.device}{', no network' if envelope.was_offline else ''}",
    )


def _check_once(people: People, item: CatalogueItem, night: Night) -> None:
    """One student, one kind of instrument, one sign-up a night: two are likely one that was made twice."""
    again = Agreement.objects.filter(student=people.student, item__kind=item.kind_id, ended_on=None, night_sign_up__night=night)
    earlier = again.first()
    if earlier:
        raise NeedsAPersonError(
            "twice", f"This student was signed up for the same kind of instrument at this night already: {earlier.number}."
        )


def _check_same(envelope: Envelope, signup: operations.SignUp) -> None:
    """Hold what the family was shown against what it would sign now. Nothing is ever signed at another price."""
    quote = operations.quote_for(signup, signup.instrument)
    sums = (
        ("Due at signing", envelope.shown.due_today, quote.due_today),
        ("Each month", envelope.shown.monthly, quote.each_month),
    )
    differs = tuple((what, money(shown), money(now)) for what, shown, now in sums if shown != now)
    if differs:
        raise NeedsAPersonError("prices", "What the family was shown is not what it costs at the office.", differs)
    assert signup.parties is not None
    now = wording.agreement_sections(quote, signup.parties)
    if wording.sha256_of(now) != envelope.shown.text_sha256:
        raise NeedsAPersonError("text", "The text that was signed is not the text of today.", _lines_that_differ(envelope, now))


def _lines_that_differ(envelope: Envelope, now: tuple[wording.Section, ...]) -> tuple[tuple[str, str, str], ...]:
    """Name the sections that differ; what stands in them is read on the page, because it names the family."""
    was = dict(envelope.shown.text)
    changed = [section.heading for section in now if was.get(section.heading) != section.paragraphs]
    gone = [heading for heading in was if heading not in {section.heading for section in now}]
    return tuple((heading, "as signed", "another today") for heading in (*changed, *gone))


def _not_before_it_came(signup: operations.SignUp, moment: Moment) -> datetime.datetime:
    """Return the moment of the evening, or when its instrument came to where it is, if a slow clock says an earlier one."""
    here = get_whereabouts(signup.instrument) if signup.instrument.pk and not signup.promised else None
    return min(max(moment.signed_at, here.since), moment.now) if here else moment.signed_at


def _note_later(agreement: Agreement, night: Night, acting_user: User, now: datetime.datetime) -> None:
    life.note_event(
        agreement=agreement,
        kind=LifeEvent.Kind.FIRST_PAYMENT,
        on=night.on,
        acting_user=acting_user,
        now=now,
        note="Nothing was taken at the sign-up night: the family pays by card or bank account afterwards",
    )


def _mark_home_form(envelope: Envelope, moment: Moment) -> None:
    if not envelope.home_form:
        return
    try:
        portal.mark_used(code=envelope.home_form, now=moment.now)
    except portal.HomeFormNotFoundError:
        return  # taken away meanwhile, as every form is some days after its night
