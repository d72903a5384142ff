"""Writes that every room uses: a number without gaps, and the answer to a request given once."""

import hashlib
import json
from typing import Any
from uuid import UUID

from django.db import connection

from rentals.staff.models import RequestKey, Role, User

SYSTEM_EMAIL = "jobs@office.invalid"


class RequestKeyReusedError(Exception):
    """The same request key came again with another request behind it."""


def take_number(series: str) -> int:
    """Return the next number of a series, starting with 1, without gaps: the row stays locked until the transaction ends.

    Call it last in a transaction, so that others wait for as short a time as can be.
    """
    return take_numbers(series, 1)


def take_numbers(series: str, count: int) -> int:
    """Take `count` numbers that follow each other and return the first of them."""
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO staff_numberseries AS s (name, last_number) VALUES (%s, %s) "
            "ON CONFLICT (name) DO UPDATE SET last_number = s.last_number + excluded.last_number RETURNING last_number",
            [series, count],
        )
        return int(cursor.fetchone()[0]) - count + 1


def fingerprint(request: dict[str, Any]) -> str:
    """Return the SHA-256 of a request's fields, whatever their order."""
    return hashlib.sha256(json.dumps(request, sort_keys=True, default=str).encode()).hexdigest()


def claim_request(*, key: UUID, purpose: str, request: dict[str, Any], acting_user: User) -> dict[str, Any] | None:
    """Claim a request key inside the operation's transaction. None: go on and make it; otherwise the answer given before.

    A second sender of the same key waits here until the first has committed or given up.
    Raises RequestKeyReusedError when the key was used for something else.
    """
    sha256 = fingerprint(request)
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO staff_requestkey (key, purpose, request_sha256, user_id, made_at) VALUES (%s, %s, %s, %s, now()) "
            "ON CONFLICT (key) DO NOTHING RETURNING key",
            [key, purpose, sha256, acting_user.pk],
        )
        if cursor.fetchone():
            return None
    earlier = RequestKey.objects.get(key=key)
    if (earlier.purpose, earlier.request_sha256) != (purpose, sha256):
        message = "This form was already sent with other contents. Open it anew and send it again."
        raise RequestKeyReusedError(message)
    return dict(earlier.answer or {})


def keep_answer(*, key: UUID, answer: dict[str, Any]) -> None:
    """Store the answer of a claimed request, in the same transaction that made it true."""
    RequestKey.objects.filter(key=key).update(answer=answer)


def ensure_system_user(**_: Any) -> User:
    """Return the person in whose name jobs act: it can never sign in. Made after every migration, and when it is missing."""
    user, _is_new = User.objects.get_or_create(
        email=SYSTEM_EMAIL,
        defaults={"name": "Office jobs", "role": Role.MANAGER, "is_active": False, "password": "!"},
    )
    return user
