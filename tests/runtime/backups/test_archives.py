"""An archive that is not whole, not ours or not for this key is refused with a sentence, before anything is touched."""

import contextlib
import resource
import subprocess
import threading
from dataclasses import replace

import pytest

from rentals.runtime.backups import sealing
from rentals.runtime.backups.archives import ArchiveWriter, read_archive
from rentals.runtime.backups.checking import Nowhere, verify_archive
from rentals.runtime.backups.errors import ArchiveRefusedError, BackupBusyError, BackupError
from rentals.runtime.backups.folder import HashedFile, list_archives, only_one, sha256_of
from rentals.runtime.backups.keys import Key, load_key
from rentals.runtime.backups.making import Made
from rentals.runtime.backups.restoring import restore_backup
from rentals.runtime.backups.servers import Address, find_tool
from tests.runtime.backups.conftest import CANARY, NOW, Site

pytestmark = pytest.mark.django_db


def flip(content: bytes, place: int) -> bytes:
    changed = bytearray(content)
    changed[place] ^= 1
    return bytes(changed)


CHANGES = {
    "a byte of the first word": (lambda c: flip(c, 3), "not a backup of the office"),
    "the version": (lambda c: flip(c, len(sealing.MAGIC)), "of format 0"),
    "the salt": (lambda c: flip(c, len(sealing.MAGIC) + 5), "another key, or its beginning was changed"),
    "the proof of the key": (lambda c: flip(c, sealing.HEAD - 1), "another key, or its beginning was changed"),
    "the first sealed byte": (lambda c: flip(c, sealing.HEAD), "bytes were changed"),
    "a byte in the middle": (lambda c: flip(c, len(c) // 2), "bytes were changed"),
    "the last byte": (lambda c: flip(c, len(c) - 1), "bytes were changed"),
    "cut by a byte": (lambda c: c[:-1], "its end is missing"),
    "cut in the middle": (lambda c: c[: len(c) // 2], "its end is missing"),
    "cut in the head": (lambda c: c[:20], "cut short"),
    "cut after the head": (lambda c: c[: sealing.HEAD], "cut short"),
    "a byte more": (lambda c: c + b"\0", "bytes were changed"),
    "nothing": (lambda c: b"", "it is empty"),
    "another file": (lambda c: b"PK\3\4" + c, "not a backup of the office"),
}


class TestRestore:
    @pytest.mark.parametrize("change", CHANGES)
    def test_refuses_what_was_changed_and_touches_nothing(self, site: Site, archive: Made, tmp_path, change):
        alter, sentence = CHANGES[change]
        before = site.state()
        broken = tmp_path / "broken.backup"
        broken.write_bytes(alter(archive.path.read_bytes()))
        with pytest.raises(ArchiveRefusedError, match=sentence) as refused:
            restore_backup(site.order(broken, replace=True), now=NOW, tell=print)
        assert "Nothing was touched." in str(refused.value)
        assert str(broken) in str(refused.value)
        assert site.state() == before

    def test_refuses_another_key(self, site: Site, archive: Made):
        before = site.state()
        other = replace(site, key=Key(b"some other words of another office", site.key.path))
        with pytest.raises(ArchiveRefusedError, match="sealed with another key"):
            restore_backup(other.order(archive.path, replace=True), now=NOW, tell=print)
        assert site.state() == before

    def test_refuses_a_bare_dump(self, site: Site, tmp_path):
        dump = tmp_path / "office.dump"
        program = find_tool("pg_dump", at_least=18)
        command = site.application.tool(program, "--format=custom", "--schema-only", "--table=staff_office", f"--file={dump}")
        subprocess.run(command, env=site.application.surroundings(), check=True)
        with pytest.raises(ArchiveRefusedError, match="a bare dump of PostgreSQL"):
            restore_backup(site.order(dump, replace=True), now=NOW, tell=print)

    def test_refuses_a_sealed_file_that_is_no_backup(self, site: Site, tmp_path):
        """Sealed with the right key, but its dump is none: pg_restore says so before any database is made."""
        before, forged = site.state(), tmp_path / "forged.backup"
        with forged.open("wb") as handle:
            writer = ArchiveWriter(HashedFile(handle), site.key.secret)
            writer.begin("database")
            writer.write(b"PGDMP and then nothing that makes sense")
            writer.finish({"made_by": "rental office"})
        with pytest.raises(ArchiveRefusedError, match="dump of the database in it cannot be read"):
            restore_backup(site.order(forged, replace=True), now=NOW, tell=print)
        assert site.state() == before

    def test_refuses_a_part_that_would_leave_the_folder(self, site: Site, tmp_path, archive: Made):
        forged = tmp_path / "forged.backup"
        with forged.open("wb") as handle:
            writer = ArchiveWriter(HashedFile(handle), site.key.secret)
            writer.begin("files/../../outside")
            writer.write(b"x")
            writer.finish({"made_by": "rental office"})
        with pytest.raises(ArchiveRefusedError, match="impossible name"):
            verify_archive(forged, site.key)

    def test_refuses_an_archive_that_a_newer_version_made(self, site: Site, archive: Made, tmp_path):
        before, newer = site.state(), tmp_path / "newer.backup"
        with site.owner.connect() as connection:
            connection.execute("INSERT INTO django_migrations (app, name, applied) VALUES ('billing', '9999_to_come', now())")
        try:
            made = site.back_up()
        finally:
            with site.owner.connect() as connection:
                connection.execute("DELETE FROM django_migrations WHERE name = '9999_to_come'")
        made.path.rename(newer)
        with pytest.raises(BackupError, match=r"newer version of the office .* does not know billing\.9999_to_come"):
            restore_backup(site.order(newer, replace=True), now=NOW, tell=print)
        assert site.state() == before

    def test_refuses_a_database_that_is_not_empty(self, site: Site, archive: Made):
        before = site.state()
        with pytest.raises(BackupError, match=r"is not empty.*give --replace"):
            restore_backup(site.order(archive.path), now=NOW, tell=print)
        assert site.state() == before

    def test_refuses_while_the_office_is_open(self, site: Site, archive: Made):
        before = site.state()
        with site.application.connect() as somebody:
            somebody.execute("SELECT 1")
            with pytest.raises(BackupError, match="is in use by 1 other connections: stop the office first"):
                restore_backup(site.order(archive.path, replace=True), now=NOW, tell=print)
        assert site.state() == before

    def test_says_that_there_is_no_such_file(self, site: Site, tmp_path):
        with pytest.raises(BackupError, match="There is no file"):
            restore_backup(site.order(tmp_path / "none"), now=NOW, tell=print)


class TestBackup:
    def test_reads_back_whole_with_its_figures(self, site: Site, archive: Made):
        manifest = verify_archive(archive.path, site.key)
        assert manifest == archive.manifest
        assert manifest["rows"]["public.documents_document"] == 1
        assert manifest["figures"]["documents"] == "1"
        assert manifest["figures"]["documents that are not what their SHA-256 says"] == "0"
        assert "agreement 1042" in manifest["figures"]["last numbers given out"]
        assert manifest["parts"]["files/letters/one.txt"]["size"] == len(f"a file, {CANARY}")
        assert manifest["structure"]["triggers"] > 100
        assert (archive.size, archive.sha256) == (archive.path.stat().st_size, sha256_of(archive.path))
        assert archive.path.stat().st_mode & 0o077 == 0

    def test_says_nothing_in_the_clear(self, site: Site, archive: Made):
        """The canary stands in a table, in a document's bytes and in a file; none of it, nor the key, is found in the archive."""
        content = archive.path.read_bytes()
        for secret in (CANARY.encode(), site.key.secret, b"PGDMP", b"billing_posting", b"agreement 1042"):
            assert secret not in content
        kept = []
        read_archive(archive.path, site.key.secret, lambda name: keeping(kept))
        assert CANARY.encode() in b"".join(kept)  # it is in there: sealed

    def test_takes_its_figures_and_its_dump_from_one_moment(self, site: Site):
        """Rows written while a backup is made are in neither; the copy's counts must agree in spite of them."""
        stop = threading.Event()

        def write() -> None:
            with site.application.connect(autocommit=True) as connection:
                while not stop.is_set():
                    connection.execute("INSERT INTO django_content_type (app_label, model) VALUES ('w', gen_random_uuid()::text)")

        writer = threading.Thread(target=write)
        writer.start()
        try:
            made = site.back_up()
        finally:
            stop.set()
            writer.join()
        found = b"".join(dumped_rows(site, made, "django_content_type"))
        assert found.count(b"\n") == made.manifest["rows"]["public.django_content_type"]
        with site.owner.connect() as connection:
            connection.execute("DELETE FROM django_content_type WHERE app_label = 'w'")

    def test_lets_no_two_work_at_once(self, site: Site):
        with only_one(site.folder, "A backup"), pytest.raises(BackupBusyError, match=r"A backup \(process \d+\) is under way"):
            site.back_up()
        assert site.back_up().path.exists()

    def test_two_in_one_second_have_two_names(self, site: Site):
        first, second = site.back_up(), site.back_up()
        assert first.path != second.path
        assert {archive.path for archive in list_archives(site.folder)} == {first.path, second.path}

    def test_a_full_disk_leaves_no_half_archive(self, site: Site, archive: Made):
        """A limit on the size of files stands for the disk: writing fails in the middle, as it does when nothing is left."""
        site.folder.mkdir()
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (archive.size // 2, before[1]))
        try:
            with pytest.raises(BackupError, match="has no room for it"):
                site.back_up()
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
        assert [path.name for path in site.folder.iterdir()] == ["lock"]
        assert site.back_up().path.exists()

    def test_what_a_killed_one_left_is_swept_away(self, site: Site):
        site.folder.mkdir()
        left = site.folder / ".office-20261101T000000Z.backup.partial"
        left.write_bytes(b"half")
        site.back_up()
        assert not left.exists()
        assert len(list_archives(site.folder)) == 1

    def test_refuses_a_file_that_holds_a_key(self, site: Site, settings):
        site.files.mkdir()
        key = next(iter(settings.BANK_KEYS.values()))
        (site.files / "notes.txt").write_bytes(b"bank: " + key)
        with pytest.raises(BackupError, match=r"notes\.txt holds a key"):
            site.back_up()
        assert list_archives(site.folder) == []

    def test_says_when_the_database_is_not_the_offices(self, site: Site):
        elsewhere = replace(site, application=site.owner.named("postgres"))
        with pytest.raises(BackupError, match="has no tables of the office"):
            elsewhere.back_up()

    def test_says_when_the_server_does_not_answer(self, site: Site):
        elsewhere = replace(site, application=Address.of("postgresql://office_app@/office?host=/nowhere"))
        with pytest.raises(BackupError, match="cannot be reached"):
            elsewhere.back_up()

    def test_says_which_tool_is_missing(self):
        with pytest.raises(BackupError, match="no pg_dump of that version or newer: install postgresql-client-99"):
            find_tool("pg_dump", at_least=99)


class TestKey:
    def test_is_made_once_readable_by_its_owner_alone(self, tmp_path, monkeypatch):
        monkeypatch.delenv("OFFICE_BACKUP_KEY_FILE", raising=False)
        first = load_key(tmp_path, tmp_path / "backups", make=True)
        again = load_key(tmp_path, tmp_path / "backups", make=True)
        assert (first.is_new, again.is_new, first.secret == again.secret) == (True, False, True)
        assert first.path.stat().st_mode & 0o077 == 0
        assert str(first.path) in first.where
        assert first.secret.decode() not in repr(first)

    def test_is_not_made_where_one_was_named(self, tmp_path, monkeypatch):
        monkeypatch.setenv("OFFICE_BACKUP_KEY_FILE", str(tmp_path / "none"))
        with pytest.raises(BackupError, match="cannot be read from"):
            load_key(tmp_path, tmp_path / "backups", make=True)

    def test_never_lies_among_the_backups(self, tmp_path, monkeypatch):
        (tmp_path / "key").write_text("six random words of a length")
        monkeypatch.setenv("OFFICE_BACKUP_KEY_FILE", str(tmp_path / "key"))
        with pytest.raises(BackupError, match="lies among the backups it seals"):
            load_key(tmp_path / "state", tmp_path)

    def test_is_not_short(self, tmp_path, monkeypatch):
        (tmp_path / "key").write_text("short")
        monkeypatch.setenv("OFFICE_BACKUP_KEY_FILE", str(tmp_path / "key"))
        with pytest.raises(BackupError, match="shorter than 20"):
            load_key(tmp_path, tmp_path / "backups")


def keeping(kept: list[bytes]):
    """A sink that keeps what it is given. The dump is compressed, so only the file's bytes can be looked for."""

    class Sink(Nowhere):
        def write(self, data: bytes) -> None:
            kept.append(data)

    return contextlib.nullcontext(Sink())


def dumped_rows(site: Site, made: Made, table: str) -> list[bytes]:
    """Return the rows of a table as the archive's dump has them, by pg_restore."""
    kept: list[bytes] = []
    parts: dict[str, list[bytes]] = {}
    read_archive(made.path, site.key.secret, lambda name: keeping(parts.setdefault(name, kept if name == "database" else [])))
    program = find_tool("pg_restore", at_least=18)
    command = [str(program), "--data-only", f"--table={table}", "--file=-"]
    shown = subprocess.run(command, input=b"".join(kept), capture_output=True, check=True).stdout
    copied = shown.partition(b"FROM stdin;\n")[2].partition(b"\\.\n")[0]
    return copied.splitlines(keepends=True)
