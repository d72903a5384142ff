"""Taking in what tablets send: every sign-up is kept, and becomes an agreement once, a question for a person, or is discarded."""

import datetime
from typing import Any
from uuid import uuid5

from django.db import transaction

from rentals.agreements.models import NightSignUp
from rentals.counter.nights.intake.envelope import Envelope, NotAnEnvelopeError, read_envelope
from rentals.counter.nights.intake.keeping import open_envelope, seal_envelope
from rentals.counter.nights.intake.signing import NeedsAPersonError, moment_of, sign
from rentals.counter.nights.intake.takers import taker_of
from rentals.runtime import locks
from rentals.staff.models import User
from rentals.staff.operations import RequestKeyReusedError, claim_request, keep_answer
from rentals.staff.policy import may, require
from schools import line
from schools.models import Night
from schools.nights import open_if_planned


class SettledError(Exception):
    """The sign-up became an agreement, or was discarded, meanwhile."""

    def __init__(self, row: NightSignUp) -> None:
        self.row = row
        super().__init__("Somebody settled this sign-up meanwhile: what came of it stands on this page.")


@transaction.atomic(durable=True)
def take_in(*, envelope: Envelope, night: Night, acting_user: User, now: datetime.datetime, today: datetime.date) -> NightSignUp:
    """Keep what a tablet sent and make its agreement, or keep it sealed for a person; return the line about it.

    `acting_user` brings it in, from the tablet or as its file; the money belongs to who took it (`takers.taker_of`).

    Sent again, the same sign-up gives the same line and makes nothing. Whatever was kept stays, also of a closed night.
    Raises NotAnEnvelopeError when the id came before with other contents, RowsBusyError, PermissionDenied.
    """
    require(acting_user, "nights.sign_up")
    key = uuid5(envelope.id, "night take in")
    try:
        before = claim_request(key=key, purpose="take_in", request=envelope.fingerprint(), acting_user=acting_user)
    except RequestKeyReusedError as error:
        raise NotAnEnvelopeError("A sign-up with this id was sent before with other contents.", "id") from error
    if before is not None:
        return NightSignUp.objects.get(pk=envelope.id)
    current = _keep_open(night.pk)
    row = NightSignUp(
        pk=envelope.id,
        night=current,
        device=envelope.device,
        sequence=envelope.sequence,
        made_at=envelope.made_at,
        received_at=now,
        sent_by=acting_user,
        taken_by=taker_of(envelope=envelope, night=current, sent_by=acting_user),
        was_offline=envelope.was_offline,
        pack=envelope.pack,
        waiting=envelope.waiting,
        pays_later=envelope.payment.is_later,
    )
    _try(row, envelope, now, today)
    if envelope.waiting is not None:
        signed_at = moment_of(envelope, current, now=now, today=today).signed_at
        line.finish_served(night=current, number=envelope.waiting, device=envelope.device, now=signed_at)
    row.save(force_insert=True)
    keep_answer(key=key, answer={"sign_up": str(row.pk)})
    return row


@transaction.atomic(durable=True)
def take_in_after_all(
    *, row: NightSignUp, changes: dict[str, dict[str, Any]], acting_user: User, now: datetime.datetime, today: datetime.date
) -> NightSignUp:
    """Try once more to take in what needed attention, with typed mistakes of a new family put right; return the line.

    `changes` are fields by part ("household", "guardian", "student"). The text that was signed names them as they were typed, so
    the agreement keeps that text; the family is written down as corrected. A manager who takes in what waits because less was
    paid agrees to that. It stays in need of attention when a person must still decide. Raises SettledError, RowsBusyError,
    NotAnEnvelopeError for a correction that cannot be, PermissionDenied.
    """
    require(acting_user, "nights.sign_up")
    night = _keep_open(row.night_id)
    locked = _lock(row, night)
    raw = open_envelope(locked)
    assert raw is not None
    envelope = read_envelope(raw)
    right = read_envelope({**raw, **{part: {**raw[part], **fields} for part, fields in changes.items() if fields}})
    less_agreed = locked.reason == "paid_less" and may(acting_user, "agreements.defer_payment")
    _try(locked, envelope, now, today, right=right, less_agreed=less_agreed)
    if locked.state == NightSignUp.State.ARRIVED:
        locked.resolved_at, locked.resolved_by = now, acting_user
    locked.save()
    return locked


@transaction.atomic(durable=True)
def discard(*, row: NightSignUp, reason: str, acting_user: User, now: datetime.datetime) -> NightSignUp:
    """Put a sign-up that needs attention aside for good, in the person's own name and with a reason. Raises SettledError."""
    require(acting_user, "nights.sign_up")
    locked = _lock(row)
    locked.state, locked.discard_reason = NightSignUp.State.DISCARDED, reason[:200]
    locked.resolved_at, locked.resolved_by = now, acting_user
    locked.save(update_fields=["state", "discard_reason", "resolved_at", "resolved_by"])
    return locked


def _keep_open(night_id: int) -> Night:
    """Return the night, which nobody closes, calls off or moves meanwhile; tablets share it and do not wait for one another.

    The first sign-up of a night that is still planned opens it, and has it alone.
    """
    rows = Night.objects.select_related("school", "location").filter(pk=night_id)
    planned = rows.filter(state=Night.State.PLANNED).exists()
    night: Night = locks.lock_one(rows) if planned else locks.share_one(rows)
    return night


def _lock(row: NightSignUp, night: Night | None = None) -> NightSignUp:
    locked: NightSignUp = locks.lock_one(NightSignUp.objects.select_related("taken_by").filter(pk=row.pk))
    if locked.state != NightSignUp.State.ATTENTION:
        raise SettledError(locked)
    if night is not None:
        locked.night = night
    return locked


def _try(
    row: NightSignUp,
    envelope: Envelope,
    now: datetime.datetime,
    today: datetime.date,
    *,
    right: Envelope | None = None,
    less_agreed: bool = False,
) -> None:
    """Make the agreement, or say why a person must decide; `row` is changed and not saved."""
    night, moment = row.night, moment_of(envelope, row.night, now=now, today=today)
    try:
        agreement = sign(envelope, night, moment, row.taken_by, right=right, less_agreed=less_agreed)
    except NeedsAPersonError as error:
        row.state, row.reason, row.why = NightSignUp.State.ATTENTION, error.reason, error.why
        row.differs, row.sealed = [list(each) for each in error.differs], seal_envelope(envelope.raw)
        return
    open_if_planned(night, now)
    row.state, row.agreement, row.sealed = NightSignUp.State.ARRIVED, agreement, None
