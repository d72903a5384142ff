"""A world that the tests of one class share: made once, and put back as it was after each test by the savepoint of that test."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.db import transaction
from pytest_django import DjangoDbBlocker


@contextmanager
def kept(blocker: DjangoDbBlocker) -> Iterator[None]:
    """Keep what is made inside until the end of the block, and nothing of it afterwards. For fixtures of a class."""
    with blocker.unblock():
        around = transaction.atomic()
        around._from_testcase = True  # as Django's own TestCase marks it, so that durable operations may run inside
        around.__enter__()
        try:
            yield
        finally:
            transaction.set_rollback(True)
            around.__exit__(None, None, None)


def commits(node: pytest.Item | pytest.Class) -> bool:
    """Tell whether the tests of a class commit what they do: then nothing can be shared between them."""
    return any(mark.kwargs.get("transaction") for mark in node.iter_markers("django_db"))
