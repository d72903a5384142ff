"""Who has a line open by hand at present: a hint for colleagues, kept for five minutes. What decides is the lock of the match."""

from collections.abc import Collection

from django.core.cache import cache

from rentals.staff.models import User

SECONDS = 300


def _key(line_id: int) -> str:
    return f"bank-line-at-work/{line_id}"


def begin(line_id: int, user: User) -> None:
    """Note that somebody has a line open."""
    cache.set(_key(line_id), (user.pk, user.name), SECONDS)


def end(line_id: int) -> None:
    """Forget it: the line is done."""
    cache.delete(_key(line_id))


def list_others(line_ids: Collection[int], user: User) -> dict[int, str]:
    """Return the names of others who have some lines open, by line."""
    found = cache.get_many([_key(key) for key in line_ids])
    told = {int(key.rpartition("/")[2]): who for key, who in found.items()}
    return {line: name for line, (pk, name) in told.items() if pk != user.pk}
