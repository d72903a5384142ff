"""requirements.lock: complete, hashed, naming no host, in step with pyproject.toml."""

import re

import pytest

from rentals.runtime import relock
from rentals.runtime.bootstrap import DEVELOPMENT_MARK, LOCK, PROJECT

TEXT = LOCK.read_text()


def breaches(text: str) -> list[str]:
    """Return what a lock file must not have."""
    found = [f"names a host: {line}" for line in text.splitlines() if re.search(r"://|--index|--find-links|--trusted|@ ", line)]
    for name, block in relock.entries(text).items():
        if not re.match(r"[a-z0-9-]+==[^\s;]+( ; .+)? \\$", block.splitlines()[0]):
            found.append(f"not pinned: {name}")
        if not re.findall(r"--hash=sha256:[0-9a-f]{64}", block):
            found.append(f"no hash: {name}")
    return found


class TestLock:
    def test_has_only_pinned_hashed_packages_and_names_no_host(self):
        assert breaches(TEXT) == []

    @pytest.mark.parametrize(
        "text",
        [
            "--index-url https://packages.example/simple\n",
            "django>=5 \\\n    --hash=sha256:" + "0" * 64 + "\n",
            "django==5.2 \\\n    --no-hash\n",
            "django @ file:///tmp/django.whl\n",
        ],
    )
    def test_a_breach_is_seen(self, text: str):
        assert breaches(text)

    def test_holds_every_pin_of_the_project_in_the_right_part(self):
        runtime, mark, development = TEXT.partition(DEVELOPMENT_MARK)
        assert mark
        for pin in relock.pins(PROJECT / "pyproject.toml"):
            assert re.search(rf"^{re.escape(pin)}( |$)", TEXT, re.M), f"{pin}: run `python3 manage.py relock`"
        assert "\ndjango==" in runtime
        assert "\npytest==" not in runtime
        assert "\npytest==" in development

    def test_no_package_is_in_both_parts(self):
        runtime, _, development = TEXT.partition(DEVELOPMENT_MARK)
        assert not set(relock.entries(runtime)) & set(relock.entries(development))

    def test_serves_the_oldest_python_there_is(self):
        """redis needs async-timeout below 3.11.3, and Debian 12 ships 3.11.2."""
        assert re.search(r"^async-timeout==\S+ ; python_full_version < '3\.11\.3'", TEXT, re.M)
