"""The nightly backup: its record, what it lets go, and the administrator's page."""

import datetime
import errno
import os
import re
import time
import zoneinfo
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, transaction
from django.urls import reverse

from rentals.jobs import working
from rentals.jobs.models import JobRun
from rentals.runtime import clock
from rentals.runtime.backups import nightly, retention
from rentals.runtime.backups.errors import BackupError
from rentals.runtime.backups.folder import list_archives, only_one
from rentals.runtime.models import BackupRecord
from tests.elsewhere import another_process

CHICAGO = zoneinfo.ZoneInfo("America/Chicago")
NOW = datetime.datetime(2026, 11, 28, 8, 0, tzinfo=datetime.UTC)


@pytest.fixture
def folder(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("OFFICE_BACKUP_DIR", str(tmp_path / "archives"))
    monkeypatch.setenv("OFFICE_BACKUP_KEY_FILE", str(tmp_path / "key"))
    (tmp_path / "key").write_text("a key for this one test alone\n")
    return tmp_path / "archives"


def good(began_at: datetime.datetime, **words) -> BackupRecord:
    """Write down a backup that was read through."""
    said = {"state": "verified", "file_name": "office-1.backup", "size": 2_340_000, "sha256": "ab" * 32, "seconds": "4.2"}
    return BackupRecord.objects.create(began_at=began_at, verified_at=began_at, by_night=True, **{**said, **words})


@pytest.mark.django_db
class TestMakeNightlyBackup:
    def test_writes_down_what_it_made_and_read(self, folder):
        record = nightly.make_nightly_backup(clock.now())
        kept = BackupRecord.objects.get()
        (archive,) = list_archives(folder)
        assert (kept.pk, kept.state, kept.file_name, kept.size) == (record.pk, "verified", archive.path.name, archive.size)
        assert kept.by_night
        assert kept.verified_at >= kept.began_at
        assert not nightly.is_too_old(clock.now())

    def test_writes_down_why_it_could_not(self, folder):
        with only_one(folder, "A backup"), pytest.raises(BackupError):
            nightly.make_nightly_backup(clock.now())
        kept = BackupRecord.objects.get()
        assert kept.state == "failed"
        assert "is under way" in kept.error
        assert nightly.is_too_old(clock.now())

    def test_says_of_one_that_was_cut_off_that_it_failed(self, folder):
        lost = BackupRecord.objects.create(began_at=NOW, folder=str(folder))
        nightly.make_nightly_backup(clock.now())
        lost.refresh_from_db()
        assert (lost.state, "cut off" in lost.error) == ("failed", True)

    def test_an_archive_that_comes_back_changed_is_set_aside(self, folder, monkeypatch):
        """The disk's mistake: between writing and reading a byte turns."""

        def turn(path: Path) -> str:
            content = bytearray(path.read_bytes())
            content[len(content) // 2] ^= 1
            path.write_bytes(content)
            return sha256_of(path)

        sha256_of = nightly.sha256_of
        monkeypatch.setattr(nightly, "sha256_of", turn)
        with pytest.raises(BackupError, match="the disk cannot be trusted"):
            nightly.make_nightly_backup(clock.now())
        assert list_archives(folder) == []
        assert [path.suffix for path in folder.glob("office-*")] == [".broken"]
        assert BackupRecord.objects.get().state == "failed"

    def test_lets_old_ones_go_only_after_a_good_one(self, folder):
        folder.mkdir()
        now = clock.now()
        for days in (3, 4, 5):
            made = (now - datetime.timedelta(days=days)).strftime("%Y%m%dT%H%M%SZ")
            (folder / f"office-{made}.backup").write_bytes(b"old")
        (folder / "holiday.txt").write_text("somebody's own")
        with only_one(folder, "A backup"), pytest.raises(BackupError):
            nightly.backup_and_record(now=now, by_night=False, days=2)
        assert len(list_archives(folder)) == 3
        nightly.backup_and_record(now=now, by_night=False, days=2)
        left = [archive.made_at for archive in list_archives(folder)]
        assert now.replace(microsecond=0) in left
        assert (now - datetime.timedelta(days=3)).replace(microsecond=0) in left
        assert (now - datetime.timedelta(days=5)).date() not in {moment.date() for moment in left} or now.day <= 5
        assert (folder / "holiday.txt").exists()

    def test_goes_on_beside_files_that_only_look_like_its_own(self, folder):
        """A day that no calendar has, a link to nothing, and a folder: none is an archive."""
        folder.mkdir()
        (folder / "office-20269999T999999Z.backup").write_bytes(b"x")
        (folder / "office-20200101T000000Z.backup").symlink_to(folder / "nowhere")
        (folder / "office-20200102T000000Z.backup").mkdir()
        assert nightly.make_nightly_backup(clock.now()).state == "verified"
        assert len(list_archives(folder)) == 1
        assert len(list(folder.glob("office-*"))) == 4

    def test_what_cannot_be_let_go_costs_no_good_backup(self, folder, monkeypatch):
        folder.mkdir()
        for day in ("20200105", "20200106"):
            (folder / f"office-{day}T000000Z.backup").write_bytes(b"old")
        unlink = Path.unlink

        def kept_by_another(path: Path, **words: bool) -> None:
            if path.name.startswith("office-2020"):
                raise PermissionError(1, "Operation not permitted", str(path))
            unlink(path, **words)

        monkeypatch.setattr(Path, "unlink", kept_by_another)
        assert nightly.backup_and_record(now=clock.now(), by_night=True, days=1).state == "verified"
        assert BackupRecord.objects.get().state == "verified"

    def test_an_archive_that_cannot_be_read_back_is_set_aside(self, folder, monkeypatch):
        def unreadable(path: Path) -> str:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

        monkeypatch.setattr(nightly, "sha256_of", unreadable)
        with pytest.raises(OSError, match="Input/output error"):
            nightly.make_nightly_backup(clock.now())
        assert [path.suffix for path in folder.glob("office-*")] == [".broken"]

    def test_the_database_refuses_a_good_one_without_its_hash(self):
        with pytest.raises(IntegrityError, match="backup_state_has_what_it_says"), transaction.atomic():
            good(NOW, sha256="")


class TestRetention:
    """Common practice, no source: daily for two weeks, monthly for a year."""

    def days(self, count: int, *, hour: int = 8) -> list[datetime.datetime]:
        return [NOW.replace(hour=hour) - datetime.timedelta(days=number) for number in range(count)]

    def test_keeps_fourteen_days_and_the_last_of_each_month(self):
        made = self.days(400)
        kept = sorted(retention.to_keep(made, now=NOW, zone=CHICAGO), reverse=True)
        assert kept[:14] == made[:14]
        assert [f"{moment:%Y-%m-%d}" for moment in kept[14:]] == [
            "2026-10-31", "2026-09-30", "2026-08-31", "2026-07-31", "2026-06-30", "2026-05-31",
            "2026-04-30", "2026-03-31", "2026-02-28", "2026-01-31", "2025-12-31",
        ]  # fmt: skip

    def test_goes_by_the_offices_own_days(self):
        """03:00 UTC on the first of November is the evening of 31 October in Chicago."""
        evening = datetime.datetime(2026, 11, 1, 3, 0, tzinfo=datetime.UTC)
        made = [*self.days(20), evening]
        assert evening in retention.to_keep(made, now=NOW, zone=CHICAGO)
        assert evening not in retention.to_keep(made, now=NOW, zone=zoneinfo.ZoneInfo("UTC"))

    def test_keeps_all_of_the_last_two_days_and_one_of_earlier_days(self):
        made = [*self.days(5, hour=8), *self.days(5, hour=7)]
        kept = retention.to_keep(made, now=NOW, zone=CHICAGO)
        assert [moment.hour for moment in sorted(kept, reverse=True)] == [8, 7, 8, 7, 8, 8, 8]

    def test_an_office_that_was_closed_for_months_loses_none(self):
        made = [moment - datetime.timedelta(days=200) for moment in self.days(14)]
        assert retention.to_keep(made, now=NOW, zone=CHICAGO) == set(made)


@pytest.mark.django_db
class TestJob:
    def test_what_keeps_it_from_being_made_is_told_to_a_person(self, folder, monkeypatch, tmp_path):
        (tmp_path / "key").write_text("short")
        run = JobRun.objects.create(code="office/backup", on=clock.today(), due_at=clock.now())
        done = working.work_on(run_id=run.pk, now=clock.now)
        assert done.state == "given_up"
        assert "is shorter than 20 characters" in done.last_error

    def test_says_how_far_it_is_and_is_done(self, folder, monkeypatch):
        """Cut into small blocks, so that a small office's backup has many steps."""
        monkeypatch.setattr(working, "BEATS", 0.0)
        monkeypatch.setattr("rentals.runtime.backups.making.BLOCK", 20_000)
        good(NOW)
        said = []
        run = JobRun.objects.create(code="office/backup", on=clock.today(), due_at=clock.now())

        def looking() -> datetime.datetime:
            said.append(JobRun.objects.get(pk=run.pk).said)
            return clock.now()

        done = working.work_on(run_id=run.pk, now=looking)
        assert (done.state, done.done, done.said) == ("done", 1, "")
        shown = "\n".join(dict.fromkeys(said))
        assert "It begins; the last one had 2.3 MB." in shown
        assert re.search(r"Writing: 0\.\d MB so far; the last one had 2\.3 MB\.", shown)
        assert re.search(r"Reading it through: (\d\.\d) MB of \1 MB\.", shown)

    def test_stopped_by_a_person_it_leaves_no_half_archive(self, folder, monkeypatch):
        monkeypatch.setattr(working, "BEATS", 0.0)
        run = JobRun.objects.create(code="office/backup", on=clock.today(), due_at=clock.now())

        def asking() -> datetime.datetime:
            if list(folder.glob(".*.partial")):
                JobRun.objects.filter(pk=run.pk).update(stop_asked_at=NOW)
            return clock.now()

        assert working.work_on(run_id=run.pk, now=asking).state == "stopped"
        assert [path.name for path in folder.iterdir()] == ["lock"]
        assert BackupRecord.objects.get().error == "It was interrupted."

    def test_stopped_while_it_is_read_through_it_leaves_no_archive_that_nobody_proved(self, folder, monkeypatch):
        """Retention takes what lies there for good: the last of a day would let the proven one of that day go."""
        monkeypatch.setattr(working, "BEATS", 0.0)
        run = JobRun.objects.create(code="office/backup", on=clock.today(), due_at=clock.now())

        def asking() -> datetime.datetime:
            if list(folder.glob("office-*.backup")):
                JobRun.objects.filter(pk=run.pk).update(stop_asked_at=NOW)
            return clock.now()

        assert working.work_on(run_id=run.pk, now=asking).state == "stopped"
        assert [path.name for path in folder.iterdir()] == ["lock"]
        assert (BackupRecord.objects.get().error, BackupRecord.objects.get().file_name) == ("It was interrupted.", "")


BACKUP_HALFWAY = """
from rentals.jobs import working
from rentals.runtime import clock
from rentals.runtime.backups import making
making.BLOCK = 20_000
write = making.ArchiveWriter.write
def slow(archive, data):
    write(archive, data)
    print("written", flush=True)
    time.sleep(60)
making.ArchiveWriter.write = slow
working.work_on(run_id=RUN, now=clock.now)
"""


@pytest.mark.django_db(transaction=True)
def test_killed_halfway_the_next_attempt_removes_the_half_archive_and_begins_anew(folder):
    run = JobRun.objects.create(code="office/backup", on=clock.today(), due_at=clock.now())
    with another_process(BACKUP_HALFWAY.replace("RUN", str(run.pk))) as worker:
        assert worker.stdout is not None
        assert worker.stdout.readline() == "written\n"
        assert working.work_on(run_id=run.pk, now=clock.now) is None, "it is at work"
        worker.kill()
        worker.wait()
    (half,) = folder.glob(".*.partial")
    ends = time.monotonic() + 10
    while (taken := working.work_on(run_id=run.pk, now=clock.now)) is None:
        assert time.monotonic() < ends
        time.sleep(0.05)
    assert (taken.state, taken.attempts) == ("done", 1)
    assert not half.exists()
    assert len(list_archives(folder)) == 1
    assert list(BackupRecord.objects.order_by("pk").values_list("state", flat=True)) == ["failed", "verified"]


@pytest.mark.django_db
class TestPage:
    def shown(self, client_as) -> str:
        return client_as("administrator").get(reverse("backups")).content.decode()

    def test_warns_when_there_is_none(self, client_as, folder):
        page = self.shown(client_as)
        assert "There is no good backup yet." in page
        assert "python3 manage.py backup" in page

    def test_warns_over_twenty_six_hours(self, client_as, folder):
        good(clock.now() - datetime.timedelta(hours=27))
        assert "more than 26 hours ago" in self.shown(client_as)
        good(clock.now() - datetime.timedelta(hours=25))
        assert "more than 26 hours ago" not in self.shown(client_as)

    def test_shows_where_all_of_it_lies_and_no_key(self, client_as, folder, tmp_path):
        good(clock.now(), folder=str(folder))
        BackupRecord.objects.create(began_at=clock.now(), state="failed", error="The disk said no.")
        page = self.shown(client_as)
        for words in (str(folder), str(tmp_path / "key"), "ab" * 32, "The disk said no.", "not in the folder any more"):
            assert words in page
        assert "a key for this one test alone" not in page

    def test_says_when_the_key_is_gone(self, client_as, folder, tmp_path):
        good(clock.now())
        (tmp_path / "key").unlink()
        assert "The key is not in its place." in self.shown(client_as)

    @pytest.mark.parametrize("role", ["specialist", "bookkeeper", "technician", "manager", "director"])
    def test_is_the_administrators_alone(self, client_as, role):
        assert client_as(role).get(reverse("backups")).status_code == 403

    def test_counts_on_the_first_page(self, client_as, folder):
        acts = {act.label: act.count for act in client_as("administrator").get("/").context["acts"]}
        assert acts["Backups"] == 1
        good(clock.now())
        acts = {act.label: act.count for act in client_as("administrator").get("/").context["acts"]}
        assert acts["Backups"] == 0


@pytest.mark.django_db
class TestCommand:
    def test_makes_lists_and_verifies(self, folder, capsys, tmp_path):
        call_command("backup")
        said = capsys.readouterr().out
        (archive,) = list_archives(folder)
        assert "and read through" in said
        assert str(tmp_path / "key") in said
        assert "OFFICE_BANK_KEYS" in said
        call_command("backup", "--list")
        assert f"{archive.path}  verified" in capsys.readouterr().out
        call_command("backup", "--verify", str(archive.path))
        assert "is whole" in capsys.readouterr().out

    def test_refuses_a_wrong_number_of_days(self, folder):
        with pytest.raises(CommandError, match="from 1 up"):
            call_command("backup", "--keep", "0")

    def test_restore_asks_for_somebody_to_type_the_name(self, folder):
        with pytest.raises(CommandError, match="nobody to type it"):
            call_command("restore", "some.backup", "--replace")
