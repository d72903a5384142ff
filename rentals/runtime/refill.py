"""What was typed into a form in an earlier request that came to nothing, for the forms that this request draws.

Who may see it, and when, is decided elsewhere (`rentals.staff.parking`); here it is only at hand while a page is made.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from django.http import QueryDict

_typed: ContextVar[QueryDict | None] = ContextVar("typed_before", default=None)


@contextmanager
def refilled(typed: QueryDict | None) -> Iterator[None]:
    """Let every unbound form of the house begin with these values while the block runs."""
    token = _typed.set(typed)
    try:
        yield
    finally:
        _typed.reset(token)


def typed_before() -> QueryDict | None:
    """Return what was typed before, None as a rule."""
    return _typed.get()
