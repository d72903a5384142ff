"""Billing on hold by the manager, recall for non-payment, the lifting of both; what is skipped is billed later or forgiven."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext as _

from rentals.agreements import life, periods
from rentals.agreements.changes.paper import Change, tell_family
from rentals.agreements.life import Sent
from rentals.agreements.models import Agreement, AgreementHold, LifeEvent
from rentals.agreements.moves import Move
from rentals.agreements.periods import PeriodToBill, Segment
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written
from rentals.runtime.templatetags.office import money
from rentals.staff.models import User

RECALL_DAYS = 14
"""So many days a family has to bring a recalled instrument back. Common practice, no source; counsel may want more."""

Kind = AgreementHold.Kind


@dataclass(frozen=True)
class Skipped:
    """The periods that began during a hold and were not billed, and what they come to before tax."""

    periods: tuple[PeriodToBill, ...]

    @property
    def amount(self) -> Decimal:
        """All of them together, before tax."""
        return sum((each.rent + each.protection for each in self.periods), ZERO)

    @property
    def words(self) -> str:
        """How many, and how much."""
        count = len(self.periods)
        return _("no month") if not count else f"{count} {_('month') if count == 1 else _('months')}, {money(self.amount)}"


def skipped_by(segments: Sequence[Segment], from_on: date, until_on: date) -> Skipped:
    """Return the periods that begin from `from_on` until `until_on` (exclusive): what a hold of that time skips."""
    begun = (periods.period_at(segments, n) for n in periods.periods_begun(segments, until_on - timedelta(days=1)))
    return Skipped(tuple(each for each in begun if each.begins_on >= from_on))


@transaction.atomic
def put_on_hold(*, agreement: Agreement, reason: str, sent: Sent, acting_user: User, now: datetime, today: date) -> LifeEvent:
    """Stop billing an agreement from today on, for a reason; return the timeline's line. Sent again, it gives the same answer.

    Raises what `life.lock_for` raises.
    """
    done = life.claim(agreement=agreement, move=Move.HOLD, sent=sent, request={"reason": reason}, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.HOLD, sent=sent)
    _begin(locked, Kind.HOLD, reason, acting_user=acting_user, now=now, today=today)
    event = life.note_event(agreement=locked, kind=LifeEvent.Kind.HELD, on=today, acting_user=acting_user, now=now, note=reason)
    with translation.override(locked.household.language):
        said = (
            _("From %s on no rent is billed for it, until we tell you that billing goes on.") % written(today),
            _("What was billed before is still to be paid. The agreement runs on, and the credit you have stays yours."),
        )
        change = Change(_("Billing on hold"), said, in_english=False)
    tell_family(agreement=locked, event=event, change=change, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)


@transaction.atomic
def lift_hold(*, agreement: Agreement, is_forgiven: bool, sent: Sent, acting_user: User, now: datetime, today: date) -> LifeEvent:
    """Let billing go on from today; the months that began meanwhile are billed by the next run, or forgiven for good.

    Raises what `life.lock_for` raises.
    """
    request = {"is_forgiven": is_forgiven}
    done = life.claim(agreement=agreement, move=Move.LIFT_HOLD, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.LIFT_HOLD, sent=sent)
    skipped = _lift(locked, is_forgiven=is_forgiven, acting_user=acting_user, now=now, today=today)
    event = _note_lifted(
        locked, LifeEvent.Kind.HOLD_LIFTED, skipped, is_forgiven=is_forgiven, acting_user=acting_user, now=now, today=today
    )
    with translation.override(locked.household.language):
        said = (_("Billing goes on from %s.") % written(today), *_skipped_in_words(skipped, is_forgiven))
        change = Change(_("Billing goes on"), said, in_english=False)
    tell_family(agreement=locked, event=event, change=change, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)


@transaction.atomic
def recall_agreement(
    *, agreement: Agreement, reason: str, past_due: Decimal, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Demand the instrument back because `past_due` is unpaid, by letter, and stop billing; return the timeline's line.

    A hold that was open ends here; its months are billed later. Whether and how a shop may take an instrument back, state law
    decides. Raises what `life.lock_for` raises.
    """
    request = {"reason": reason, "past_due": str(past_due)}
    done = life.claim(agreement=agreement, move=Move.RECALL, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.RECALL, sent=sent)
    if life.get_open_hold(locked) is not None:
        _lift(locked, is_forgiven=False, acting_user=acting_user, now=now, today=today)
    _begin(locked, Kind.RECALL, reason, acting_user=acting_user, now=now, today=today)
    by = today + timedelta(days=RECALL_DAYS)
    event = life.note_event(
        agreement=locked,
        kind=LifeEvent.Kind.RECALLED,
        on=today,
        acting_user=acting_user,
        now=now,
        note=f"{reason}; {money(past_due)} past due, back by {written(by)}"[:400],
        detail={"past_due": str(past_due), "back_by": by.isoformat()},
    )
    with translation.override(locked.household.language):
        title, places = _("Please bring the instrument back"), {"past_due": money(past_due), "day": written(by)}
        change = Change(title, (), kind="recall", in_english=False, places=places)
    tell_family(agreement=locked, event=event, change=change, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)


@transaction.atomic
def lift_recall(
    *, agreement: Agreement, is_forgiven: bool, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Take a recall back: the agreement runs on, and the months of the recall are billed by the next run, or forgiven.

    Raises what `life.lock_for` raises.
    """
    request = {"is_forgiven": is_forgiven}
    done = life.claim(agreement=agreement, move=Move.LIFT_RECALL, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.LIFT_RECALL, sent=sent)
    skipped = _lift(locked, is_forgiven=is_forgiven, acting_user=acting_user, now=now, today=today)
    event = _note_lifted(
        locked, LifeEvent.Kind.RECALL_LIFTED, skipped, is_forgiven=is_forgiven, acting_user=acting_user, now=now, today=today
    )
    with translation.override(locked.household.language):
        said = (
            _("You may keep the instrument: our letter that asked for it back no longer holds. Billing goes on from %s.")
            % written(today),
            *_skipped_in_words(skipped, is_forgiven),
        )
        change = Change(_("The recall is lifted"), said, in_english=False)
    tell_family(agreement=locked, event=event, change=change, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)


def _begin(locked: Agreement, kind: str, reason: str, *, acting_user: User, now: datetime, today: date) -> None:
    AgreementHold.objects.create(agreement=locked, kind=kind, from_on=today, reason=reason, made_at=now, made_by=acting_user)


def _lift(locked: Agreement, *, is_forgiven: bool, acting_user: User, now: datetime, today: date) -> Skipped:
    hold = AgreementHold.objects.get(agreement=locked, until_on=None)
    hold.until_on, hold.is_forgiven = max(today, hold.from_on), is_forgiven
    hold.lifted_at, hold.lifted_by = now, acting_user
    hold.save(update_fields=["until_on", "is_forgiven", "lifted_at", "lifted_by"])
    return skipped_by(life.list_segments(locked), hold.from_on, hold.until_on)


def _note_lifted(
    locked: Agreement, kind: str, skipped: Skipped, *, is_forgiven: bool, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    return life.note_event(
        agreement=locked,
        kind=kind,
        on=today,
        acting_user=acting_user,
        now=now,
        note=f"{skipped.words}: {'forgiven' if is_forgiven else 'billed later'}" if skipped.periods else "No month was skipped",
        detail={"is_forgiven": is_forgiven, "months": len(skipped.periods), "amount": str(skipped.amount)},
    )


def _skipped_in_words(skipped: Skipped, is_forgiven: bool) -> tuple[str, ...]:
    if not skipped.periods:
        return ()
    words = _("Before tax, what was not billed meanwhile: %s.") % skipped.words
    return (words, _("You need not pay it.") if is_forgiven else _("It will be billed now."))
