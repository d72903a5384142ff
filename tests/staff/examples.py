"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

from tests.factories import UserFactory

EXAMPLES = {"person_id": lambda: UserFactory().pk}
