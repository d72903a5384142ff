"""How long to wait before trying again. Pure: the same key and attempt always wait equally long."""

import datetime
import hashlib

FIRST = datetime.timedelta(minutes=1)
LONGEST = datetime.timedelta(hours=6)
FURTHEST = LONGEST * 1.25
"""No wait is longer: a time further ahead was written by a clock that has since been set back, and is over."""


def backoff(key: str, attempt: int) -> datetime.timedelta:
    """Return the wait after the given attempt: 1, 4, 16, 64 minutes and so on up to six hours, spread by up to a quarter.

    The spread comes from the key, so that a hundred mails that failed together are not tried together.

    >>> backoff("a", 1) < backoff("a", 2) < backoff("a", 3) <= LONGEST * 1.25
    True
    """
    wait = min(FIRST * int(4 ** (attempt - 1)), LONGEST)
    spread = int.from_bytes(hashlib.sha256(f"{key}:{attempt}".encode()).digest()[:2]) / 0xFFFF
    return wait * (1 + spread / 4)
