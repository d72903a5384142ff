"""A director's way in: invited from the school's page while a consent stands, ended at any time.

Whoever withdraws the consent, or writes a last day down, ends the sign-in too (`schools.directors`).
"""

import datetime

from django.db import transaction
from django.utils import timezone

from rentals.runtime.locks import lock_one
from rentals.staff import people
from rentals.staff.models import Role, User
from schools.directors import consent_in_force
from schools.models import Director


class NotInvitedError(Exception):
    """A director cannot be invited; the text says what is missing."""


@transaction.atomic
def invite_director(*, director: Director, acting_user: User, now: datetime.datetime) -> tuple[User, str]:
    """Give a director a sign-in, or the one he had again, and return the person and the token of a one-time password link.

    Raises NotInvitedError: no consent in force, no e-mail address, gone, or an address of somebody else.
    """
    current: Director = lock_one(Director.objects.filter(pk=director.pk))
    if consent_in_force(current.pk) is None:
        raise NotInvitedError("Write the school's consent down first: without it nobody sees a roster.")
    if current.until_on is not None and current.until_on < timezone.localdate(now):
        raise NotInvitedError("This director has left: there is nobody to invite.")
    if not current.email:
        raise NotInvitedError("Write the director's e-mail address down first: it is what they sign in with.")
    person = current.user
    if person is None:
        try:
            person = people.add_person(email=current.email, name=current.name, role=Role.DIRECTOR, acting_user=acting_user)
        except people.PersonExistsError as error:
            raise NotInvitedError("Somebody signs in with this address already: give the director another one.") from error
        current.user = person
        current.save(update_fields=["user"])
    elif not person.is_active:
        person = people.reactivate_person(person_id=person.pk, acting_user=acting_user)
    token = people.make_password_link(person_id=person.pk, acting_user=acting_user, now=now)
    return person, token


@transaction.atomic
def end_sign_in(*, director: Director, acting_user: User) -> None:
    """Take a director's sign-in away, with every session, at once. What was agreed stays."""
    current: Director = lock_one(Director.objects.filter(pk=director.pk))
    if current.user is not None and current.user.is_active:
        people.deactivate_person(person_id=current.user.pk, reason="The director's sign-in was ended.", acting_user=acting_user)
