"""Other terms from a period on that is not billed yet: another due day, protection added or dropped."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from rentals.agreements import errors, life, periods, queries
from rentals.agreements.changes.paper import Change, lines_of, price_lines, tell_family
from rentals.agreements.life import Sent
from rentals.agreements.models import Agreement, AgreementUnit, LifeEvent, Rate
from rentals.agreements.moves import Move
from rentals.agreements.periods import PeriodToBill, Segment
from rentals.agreements.quotes import condition_of
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written
from rentals.runtime.templatetags.office import money
from rentals.staff.models import User


class PeriodBilledMeanwhileError(Exception):
    """The period from which the terms were to change was billed after the form was opened."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(
            f"A further month of {agreement.number} was billed meanwhile. Open the form anew to see from when it holds."
        )


class DueDayAlreadyError(Exception):
    """Rent falls due on that day already."""

    def __init__(self, agreement: Agreement, due_day: int) -> None:
        self.agreement, self.due_day = agreement, due_day
        super().__init__(f"The rent of {agreement.number} falls due on day {due_day} of the month already. Choose another day.")


class ProtectionRequiredError(Exception):
    """The plan does not rent without protection."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(f"The plan “{agreement.plan_version.title}” requires protection: it cannot be dropped.")


class ProtectionAlreadyError(Exception):
    """Protection is as it was asked for already; `has_it` says how."""

    def __init__(self, agreement: Agreement, *, has_it: bool) -> None:
        self.agreement, self.has_it = agreement, has_it
        super().__init__(f"{agreement.number} {'has protection' if has_it else 'is without protection'} already.")


class ProtectionNotOfferedError(Exception):
    """The rate card has no price for protection."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(f"The rate card offers no protection for {agreement.item.kind}. A manager can add a price under Terms.")


@dataclass(frozen=True)
class DueDayPreview:
    """How a change of the due day comes out: the bridge (None when the day fits anyway), then the first month of the new day."""

    segments: tuple[Segment, ...]
    bridge: PeriodToBill | None
    first: PeriodToBill


def preview_due_day(segments: Sequence[Segment], from_period: int, due_day: int) -> DueDayPreview:
    """Work out what moving the due day from a period on does: the bridge follows an introductory period, it does not cut it.

    Raises ValueError for a day outside 1 to 28.
    """
    from_period = periods.past_introduction(segments, from_period)
    moved = periods.moved_due_day(segments, from_period, due_day)
    first = periods.period_at(moved, moved[-1].first_period)
    bridge = periods.period_at(moved, from_period) if first.number > from_period else None
    return DueDayPreview(moved, bridge, first)


def due_day_of(segments: Sequence[Segment]) -> int:
    """Return the day of the month on which rent falls due by the terms that come last."""
    return segments[-1].anchor_on.day


def get_protection_price(agreement: Agreement, on: date) -> Decimal:
    """Return what protection costs a month by the rate card of a day, for its plan and the
    instrument's condition. Raises NoRateError, ProtectionNotOfferedError."""
    item, plan = agreement.item, agreement.plan_version.plan_id
    rate = queries.get_rate(item.kind, item.tier, on, plan=plan, condition=_condition_signed(agreement))
    price = Decimal(rate.monthly_protection.amount)
    if price <= ZERO:
        raise ProtectionNotOfferedError(agreement)
    return price


def _condition_signed(agreement: Agreement) -> str:
    """Return whether it was signed for a new or a used instrument; while that is still to come, its rent says which."""
    unit = agreement.units.filter(role=AgreementUnit.Role.RENTED).select_related("instrument").order_by("-began_at").first()
    if unit is not None:
        return condition_of(unit.instrument)
    item, used = agreement.item, Rate.Condition.RETURNED
    rates = queries.list_rates(agreement.starts_on).filter(kind=item.kind, tier=item.tier, condition=used)
    return used if rates.filter(monthly_rent=agreement.monthly_rent.amount).exists() else Rate.Condition.NEW


@transaction.atomic
def change_due_day(
    *, agreement: Agreement, due_day: int, from_period: int, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Let rent fall due on another day of the month (1 to 28), from a period on that is not billed; return the timeline's line.

    `from_period` becomes a bridge of actual days; an introductory one stays whole, and the one after it becomes the bridge.
    The guardian signs (`sent.signer`). Sent again, it gives the same answer.
    Raises DueDayAlreadyError, PeriodBilledMeanwhileError, and what `life.lock_for` raises.
    """
    request = {"due_day": due_day, "from_period": from_period}
    done = life.claim(agreement=agreement, move=Move.CHANGE_DUE_DAY, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.CHANGE_DUE_DAY, sent=sent)
    segments = life.list_segments(locked)
    if due_day_of(segments) == due_day:
        raise DueDayAlreadyError(locked, due_day)
    preview = preview_due_day(segments, from_period, due_day)
    _write(locked, preview.segments, acting_user, now)
    event = life.note_event(
        agreement=locked,
        kind=LifeEvent.Kind.DUE_DAY,
        on=today,
        acting_user=acting_user,
        now=now,
        note=f"To day {due_day} of the month, from {written(preview.first.begins_on)}",
        detail={"due_day": due_day, "from_period": from_period, "was": due_day_of(segments)},
    )
    change = Change(_("Change of the due day"), due_day_in_words(preview))
    tell_family(agreement=locked, event=event, change=change, signer=sent.signer, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)


def due_day_in_words(preview: DueDayPreview) -> tuple[str, ...]:
    """Say what a change of the due day does: the bridge with its days and amount, then the new day."""
    first, bridge = preview.first, preview.bridge
    said = []
    if bridge is not None:
        said.append(
            _("The time from %(from)s to %(to)s is a bridge of %(days)d of %(of)d days. It costs %(amount)s before tax.")
            % {
                "from": written(bridge.begins_on),
                "to": written(bridge.last_on),
                "days": bridge.days,
                "of": bridge.natural_days,
                "amount": money(bridge.rent + bridge.protection),
            }
        )
    said.append(
        _("From %(first)s on, rent falls due on day %(day)d of every month: %(amount)s before tax.")
        % {
            "first": written(first.begins_on),
            "day": first.begins_on.day,
            "amount": money(first.rent + first.protection),
        }
    )
    return tuple(said)


@transaction.atomic
def add_protection(
    *, agreement: Agreement, price: Decimal, from_period: int, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Add protection at `price` a month, as the family was shown it, from a period on that is not billed.

    The guardian signs. Sent again, it gives the same answer.
    Raises ProtectionAlreadyError, ProtectionNotOfferedError, TermsChangedError when the rate card has another price by now,
    PeriodBilledMeanwhileError, NoRateError, and what `life.lock_for` raises.
    """
    request = {"price": str(price), "from_period": from_period}
    done = life.claim(agreement=agreement, move=Move.ADD_PROTECTION, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.ADD_PROTECTION, sent=sent)
    segments = life.list_segments(locked)
    if segments[-1].protection > ZERO:
        raise ProtectionAlreadyError(locked, has_it=True)
    if get_protection_price(locked, today) != price:
        raise errors.TermsChangedError
    first = _set_protection(locked, from_period, price, acting_user=acting_user, now=now)
    event = life.note_event(
        agreement=locked,
        kind=LifeEvent.Kind.PROTECTION_ADDED,
        on=today,
        acting_user=acting_user,
        now=now,
        note=f"{money(price)} a month from {written(first.begins_on)}",
        detail={"price": str(price), "from_period": from_period},
    )
    covers = locked.plan_version.protection_covers
    said = [_("From %s on the agreement is with protection. Protection is not insurance.") % written(first.begins_on)]
    said += [_("It covers: %s") % covers] if covers else []
    before = price_lines(first.rent, ZERO)
    change = Change(_("Protection added"), tuple(said), before, lines_of(first))
    tell_family(agreement=locked, event=event, change=change, signer=sent.signer, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)


@transaction.atomic
def drop_protection(
    *, agreement: Agreement, from_period: int, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Drop protection from a period on that is not billed; what is billed stays covered. The guardian signs.

    Raises ProtectionRequiredError, ProtectionAlreadyError, PeriodBilledMeanwhileError, and what `life.lock_for` raises.
    """
    request = {"from_period": from_period}
    done = life.claim(agreement=agreement, move=Move.DROP_PROTECTION, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.DROP_PROTECTION, sent=sent)
    if locked.plan_version.protection_required:
        raise ProtectionRequiredError(locked)
    segments = life.list_segments(locked)
    if segments[-1].protection <= ZERO:
        raise ProtectionAlreadyError(locked, has_it=False)
    before = lines_of(periods.period_at(segments, from_period))
    first = _set_protection(locked, from_period, ZERO, acting_user=acting_user, now=now)
    event = life.note_event(
        agreement=locked,
        kind=LifeEvent.Kind.PROTECTION_DROPPED,
        on=today,
        acting_user=acting_user,
        now=now,
        note=f"From {written(first.begins_on)}",
        detail={"from_period": from_period},
    )
    said = (
        _("From %s on the agreement is without protection.") % written(first.begins_on),
        _("What happens to the instrument from that day on is yours to pay: repairs, and up to %s if it is lost or destroyed.")
        % money(locked.replacement_value),
    )
    change = Change(_("Protection dropped"), said, before, lines_of(first))
    tell_family(agreement=locked, event=event, change=change, signer=sent.signer, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)


def _set_protection(locked: Agreement, from_period: int, price: Decimal, *, acting_user: User, now: datetime) -> PeriodToBill:
    changed = periods.with_protection(life.list_segments(locked), from_period, price)
    _write(locked, changed, acting_user, now)
    return periods.period_at(changed, from_period)


def _write(locked: Agreement, segments: tuple[Segment, ...], acting_user: User, now: datetime) -> None:
    try:
        with transaction.atomic():
            life.write_terms(agreement=locked, segments=segments, acting_user=acting_user, now=now)
    except IntegrityError as error:
        if "has billed a period" not in str(error):
            raise
        raise PeriodBilledMeanwhileError(locked) from error
