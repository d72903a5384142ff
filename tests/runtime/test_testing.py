"""The test run itself: what cannot run is named and counted, and CI lets nothing be left out."""

import os
import subprocess
import sys

import pytest

from rentals.runtime import system, testing
from rentals.runtime.bootstrap import PROJECT

SKIPPING = (
    "import pytest\n\n\ndef test_left_out():\n    pytest." + "skip('no browser to drive here')\n\n\ndef test_runs():\n    pass\n"
)


def run(folder, **variables: str) -> subprocess.CompletedProcess[str]:
    """Run a small suite with this house's plugin, on servers that need not be started."""
    (folder / "test_small.py").write_text(SKIPPING)
    environment = {key: value for key, value in os.environ.items() if key != "CI"} | variables
    environment |= {"OFFICE_STATE_DIR": str(folder / "state"), "DATABASE_URL": os.environ["OFFICE_TEST_APP_URL"]}
    words = [
        "-p",
        "rentals.runtime.testing",
        "-p",
        "no:django",
        "-c",
        os.devnull,
        "--rootdir",
        str(folder),
        "-p",
        "no:cacheprovider",
    ]
    return subprocess.run(
        [sys.executable, "-m", "pytest", *words, str(folder)], cwd=PROJECT, env=environment, capture_output=True, text=True
    )  # fmt: skip


class TestWhatDidNotRun:
    def test_is_named_and_counted(self, tmp_path):
        done = run(tmp_path)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "1 tests NOT RUN" in done.stdout
        assert "test_small.py::test_left_out: Skipped: no browser to drive here" in done.stdout

    def test_fails_the_run_in_ci(self, tmp_path):
        done = run(tmp_path, CI="true")
        assert done.returncode == 1, done.stdout + done.stderr
        assert "1 tests NOT RUN (which CI does not allow)" in done.stdout


class TestBrowserTests:
    @pytest.fixture
    def item(self, request):
        """A stand-in for a collected browser test: a real item that uses the fixture by name only."""
        made = pytest.Function.from_parent(request.node.parent, name="test_x", callobj=lambda browser: None)
        made.fixturenames = ["browser"]
        return made

    def test_are_skipped_with_the_line_that_helps(self, item, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.delenv("CI", raising=False)
        monkeypatch.setattr(testing, "missing_for_browser", lambda: ["chromium-headless-shell"])
        testing.pytest_collection_modifyitems([item])
        mark = item.get_closest_marker("skip")
        assert "apt-get install --no-install-recommends chromium-headless-shell" in mark.kwargs["reason"]

    def test_are_not_skipped_in_ci(self, item, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setenv("CI", "true")
        monkeypatch.setattr(testing, "missing_for_browser", lambda: ["chromium-headless-shell"])
        testing.pytest_collection_modifyitems([item])
        assert item.get_closest_marker("browser")
        assert not item.get_closest_marker("skip")

    def test_what_they_lack_is_named_by_package(self, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.delenv("OFFICE_BROWSER", raising=False)
        monkeypatch.setattr(system.shutil, "which", lambda name: None)
        monkeypatch.setattr(system.ctypes, "CDLL", lambda name: (_ for _ in ()).throw(OSError(name)))
        assert system.missing_for_browser() == ["chromium-headless-shell", "libatomic1"]


class TestPango:
    def test_missing_is_told_with_the_packages_and_nothing_else_stops(self, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setattr(system.ctypes, "CDLL", lambda name: (_ for _ in ()).throw(OSError(name)))
        monkeypatch.setattr(system.ctypes.util, "find_library", lambda name: None)
        sentence = system.pango_problem.__wrapped__()
        assert "apt-get install --no-install-recommends libpango-1.0-0" in sentence
        assert "Everything else works." in sentence
