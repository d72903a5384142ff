"""Long work as a generator: it yields how far it is, and returns what it made. Closed on the way, it leaves nothing half done."""

from collections.abc import Generator
from typing import Any, TypeVar

Made = TypeVar("Made")


def finish(steps: Generator[Any, None, Made]) -> Made:
    """Do all of it, and return what it made.

    >>> def two_steps():
    ...     yield 1
    ...     yield 2
    ...     return "made"
    >>> finish(two_steps())
    'made'
    """
    while True:
        try:
            next(steps)
        except StopIteration as end:
            made: Made = end.value
            return made
