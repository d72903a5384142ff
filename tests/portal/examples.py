"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

EXAMPLES: dict[str, object] = {}
