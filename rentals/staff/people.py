"""Writes about the people who work here: who they are, what they are here for, and how they get back in.

Each is one transaction. What the history should know beside the change itself (a reason) goes into its context.
"""

from datetime import datetime

import pghistory
from allauth.mfa.models import Authenticator
from allauth.usersessions.models import UserSession
from django.contrib.auth.tokens import PasswordResetTokenGenerator
from django.db import transaction

from rentals.runtime.locks import lock_one, lock_rows
from rentals.staff.models import Role, User
from rentals.staff.operations import SYSTEM_EMAIL


class PersonExistsError(Exception):
    """Somebody with this address works here already."""


class LastAdministratorError(Exception):
    """Nobody would be left who can say who works here."""


class OwnAccountError(Exception):
    """Nobody does this to themselves: it takes a second person."""


class LinkSpentError(Exception):
    """The link was used, is older than ten minutes, or was never given."""


class OnceOnly(PasswordResetTokenGenerator):
    """A link that ends with the password it was made beside: once used, or once another is made, it opens nothing."""

    key_salt = "staff choose password"


tokens = OnceOnly()


@transaction.atomic
def add_person(*, email: str, name: str, role: str, acting_user: User | None) -> User:
    """Add somebody, without a password: a link lets them choose one. `acting_user` None: from the server's own command line.

    Raises PersonExistsError.
    """
    if User.objects.filter(email=email.strip().lower()).exists():
        raise PersonExistsError
    _note(acting_user)
    return User.objects.create_user(email=email.strip(), name=name.strip(), role=role)


@transaction.atomic
def change_person(*, person_id: int, name: str, role: str, acting_user: User) -> User:
    """Give a person another name or role. With the role their sessions end. Raises LastAdministratorError."""
    person = _lock(person_id)
    if role != Role.ADMINISTRATOR:
        _keep_an_administrator_beside(person)
    _note(acting_user)
    has_new_role = person.role != role
    person.name, person.role = name.strip(), role
    person.save(update_fields=["name", "role"])
    if has_new_role:
        end_sessions(person)
    return person


@transaction.atomic
def deactivate_person(*, person_id: int, reason: str, acting_user: User) -> User:
    """Let somebody leave: no sign-in, sessions ended at once. What they did stays theirs.

    Raises OwnAccountError, LastAdministratorError.
    """
    person = _lock(person_id)
    _refuse_oneself(person, acting_user)
    _keep_an_administrator_beside(person)
    _note(acting_user, reason)
    person.is_active = False
    person.save(update_fields=["is_active"])
    end_sessions(person)
    return person


@transaction.atomic
def reactivate_person(*, person_id: int, acting_user: User) -> User:
    """Let somebody come back, with the password and the second factor they had."""
    person = _lock(person_id)
    _note(acting_user)
    person.is_active = True
    person.save(update_fields=["is_active"])
    return person


@transaction.atomic
def make_password_link(*, person_id: int, acting_user: User | None, now: datetime, reason: str = "") -> str:
    """Take a person's password away, end their sessions, and return the token of a link to choose a new one.

    The token works once, within settings.PASSWORD_RESET_TIMEOUT, and ends any earlier one. Raises OwnAccountError.
    """
    person = _lock(person_id)
    _refuse_oneself(person, acting_user)
    _note(acting_user, reason)
    return _open_link(person, now)


@transaction.atomic
def reset_second_factor(*, person_id: int, reason: str, acting_user: User, now: datetime) -> str:
    """Take away a second factor whose telephone is lost, with the password, which might have been short beside it.

    Returns the token of a link, as `make_password_link` does. Raises OwnAccountError: recovery takes a second person.
    """
    person = _lock(person_id)
    _refuse_oneself(person, acting_user)
    _note(acting_user, reason)
    Authenticator.objects.filter(user=person).delete()
    person.factor_reset_at = now
    person.save(update_fields=["factor_reset_at"])
    return _open_link(person, now)


@transaction.atomic
def choose_password(*, person_id: int, token: str, password: str) -> User:
    """Set the password behind a one-time link. Raises LinkSpentError."""
    person = User.objects.select_for_update().filter(pk=person_id, is_active=True).first()
    if person is None or not tokens.check_token(person, token):
        raise LinkSpentError
    person.set_password(password)
    person.save(update_fields=["password"])
    end_sessions(person)
    return person


def is_open(person: User | None, token: str) -> bool:
    """Tell whether a link may still be used; looking does not use it up."""
    return person is not None and person.is_active and tokens.check_token(person, token)


def end_sessions(person: User) -> None:
    """Sign a person out everywhere."""
    for session in UserSession.objects.filter(user=person):
        session.end()


def _lock(person_id: int) -> User:
    person: User = lock_one(User.objects.exclude(email=SYSTEM_EMAIL).filter(pk=person_id))
    return person


def _keep_an_administrator_beside(person: User) -> None:
    administrators: list[User] = lock_rows(User.objects.filter(role=Role.ADMINISTRATOR, is_active=True))[0]
    if administrators == [person]:
        raise LastAdministratorError


def _refuse_oneself(person: User, acting_user: User | None) -> None:
    if person == acting_user:
        raise OwnAccountError


def _open_link(person: User, now: datetime) -> str:
    person.set_unusable_password()
    person.password_link_at = now
    person.save(update_fields=["password", "password_link_at"])
    end_sessions(person)
    return tokens.make_token(person)


def _note(acting_user: User | None, reason: str = "") -> None:
    """Add to the context of the request or command that is under way."""
    context: dict[str, object] = {"user": acting_user.pk} if acting_user else {}
    pghistory.context(**context, **({"reason": reason} if reason else {}))
