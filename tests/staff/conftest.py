"""Counters of tries are emptied between tests of sign-in: all of them come from the same address."""

import pytest
from django.core.cache import cache


@pytest.fixture(autouse=True)
def empty_counters():
    """Forget who tried what."""
    server = cache._cache.get_client(None, write=True)
    for pattern in ("office:*limit:*", "office:*allauth*"):
        for key in server.scan_iter(pattern):
            server.delete(key)
