"""Who took a family's money at a night: the office signs a slip for who is signed in on a tablet, and its sign-ups carry it."""

from django.core.signing import BadSignature, Signer

from rentals.counter.nights.intake.envelope import Envelope
from rentals.staff.models import User
from rentals.staff.policy import may
from schools.models import Night

_SLIPS = Signer(salt="taken at a sign-up night")


def make_slip(*, night: Night, person: User) -> str:
    """Return what a tablet puts into its sign-ups to say who took them; it holds for this person at this night."""
    return _SLIPS.sign(f"{night.pk}/{person.pk}")


def taker_of(*, envelope: Envelope, night: Night, sent_by: User) -> User:
    """Return into whose takings the money of a sign-up belongs, whoever brings it in later.

    Without a slip of this night that the office signed, or once that person may sign nobody up any more, it is the sender:
    nobody answers for money by another's word alone.
    """
    try:
        slip_night, person = _SLIPS.unsign(envelope.taken_by).split("/")
    except BadSignature:
        return sent_by
    taker = User.objects.filter(pk=person, is_active=True).first() if slip_night == str(night.pk) else None
    return taker if taker is not None and may(taker, "agreements.sign") else sent_by
