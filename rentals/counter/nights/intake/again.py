"""A sign-up that cannot stand as it was signed goes on at the counter: the family is written down, the sheet filled in."""

import datetime
from uuid import UUID, uuid5

from django.db import transaction

from rentals.agreements.models import NightSignUp, PlanVersion, SignUpDraft
from rentals.counter.nights.intake.envelope import read_envelope
from rentals.counter.nights.intake.keeping import open_envelope
from rentals.counter.nights.intake.operations import SettledError
from rentals.counter.nights.intake.people import find_or_make
from rentals.inventory.models import CatalogueItem, Instrument
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from rentals.staff.policy import require
from schools.models import Programme


def draft_key(row: NightSignUp) -> UUID:
    """Return the id of the sheet a sign-up goes on with."""
    return uuid5(row.pk, "signed again at the counter")


@transaction.atomic(durable=True)
def begin_again(*, row: NightSignUp, acting_user: User, now: datetime.datetime) -> SignUpDraft:
    """Fill the counter's sheet in with what was signed at the night, at prices of today; asked twice, it is one sheet.

    The sign-up keeps needing attention until somebody discards it as signed again. Raises SettledError, FamilyGoneError.
    """
    require(acting_user, "agreements.sign")
    locked: NightSignUp = lock_one(NightSignUp.objects.filter(pk=row.pk))
    raw = open_envelope(locked)
    if locked.state != NightSignUp.State.ATTENTION or raw is None:
        raise SettledError(locked)
    begun = SignUpDraft.objects.filter(pk=draft_key(row), user=acting_user).first()
    if begun is not None:
        return begun
    envelope = read_envelope(raw)
    programme = Programme.objects.filter(pk=envelope.programme).first() if envelope.programme else None
    people = find_or_make(envelope, programme, acting_user)
    item = CatalogueItem.objects.filter(pk=envelope.item).first()
    version = PlanVersion.objects.filter(pk=envelope.plan_version).first()
    unit = Instrument.objects.filter(pk=envelope.instrument).first() if envelope.instrument else None
    answers = {
        "guardian": str(people.guardian.pk),
        "student": str(people.student.pk),
        "programme": str(programme.pk) if programme else "",
        "kind": str(item.kind_id) if item else "",
        "size": item.size if item else "",
        "tier": str(item.tier) if item else "",
        "plan": str(version.pk) if version else "",
        "protection": "yes" if envelope.protection else "no",
        "received_at": "school",
        "tag": unit.asset_tag if unit else "",
    }
    SignUpDraft.objects.filter(pk=draft_key(row), agreement=None).delete()
    return SignUpDraft.objects.create(
        pk=draft_key(row),
        user=acting_user,
        household=people.household,
        data={name: value for name, value in answers.items() if value},
        updated_at=now,
    )
