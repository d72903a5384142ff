"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

from tests.portal.factories import DoorFactory

EXAMPLES = {
    "door_code": lambda: DoorFactory().code,
    "place": lambda: 1,
    "home_page.page": lambda: "who",
}
