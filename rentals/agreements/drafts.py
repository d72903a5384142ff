"""Sign-ups that are not signed yet: begun, saved at every change, purged when nobody came back to them."""

from datetime import datetime, timedelta

from django.db import transaction

from rentals.agreements.models import SignUpDraft
from rentals.families.models import Household
from rentals.runtime import locks
from rentals.staff.models import User

KEPT_FOR = timedelta(days=30)


class DraftSignedError(Exception):
    """The sign-up was signed meanwhile; `draft.agreement` is what came of it."""

    def __init__(self, draft: SignUpDraft) -> None:
        self.draft = draft
        super().__init__("This sign-up is signed already.")


@transaction.atomic
def begin_draft(*, household: Household, answers: dict[str, str], acting_user: User, now: datetime) -> SignUpDraft:
    """Begin a sign-up for a household with the answers known so far. Outermost."""
    return SignUpDraft.objects.create(user=acting_user, household=household, data=answers, updated_at=now)


@transaction.atomic
def save_answers(*, draft: SignUpDraft, answers: dict[str, str], now: datetime) -> SignUpDraft:
    """Keep what has been answered so far. Outermost. Raises DraftSignedError."""
    locked: SignUpDraft = locks.lock_one(SignUpDraft.objects.filter(pk=draft.pk))
    if locked.agreement_id is not None:
        raise DraftSignedError(locked)
    if locked.data != answers:
        locked.data, locked.updated_at = answers, now
        locked.save(update_fields=["data", "updated_at"])
    return locked


@transaction.atomic
def discard_draft(*, draft: SignUpDraft) -> None:
    """Throw an unsigned sign-up away. Outermost. Raises DraftSignedError."""
    locked: SignUpDraft = locks.lock_one(SignUpDraft.objects.filter(pk=draft.pk))
    if locked.agreement_id is not None:
        raise DraftSignedError(locked)
    locked.delete()


@transaction.atomic
def purge_drafts(*, now: datetime) -> int:
    """Delete sign-ups nobody worked on for thirty days, signed or not (the agreement stays); return how many."""
    return SignUpDraft.objects.filter(updated_at__lt=now - KEPT_FOR).delete()[0]
