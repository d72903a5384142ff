"""A full disk is told where people look, leaves nothing half written, and what waited goes on by itself once there is room."""

import datetime
import os

import pytest
from django.urls import reverse

from rentals.documents import operations
from rentals.documents.models import Document
from rentals.jobs import working
from rentals.jobs.models import JobRun
from rentals.jobs.timetable import Step
from rentals.runtime import clock, disk
from rentals.runtime.backups.folder import list_archives
from rentals.runtime.models import BackupRecord
from tests.disks import no_room_for, no_room_in
from tests.documents import samples
from tests.jobs.timetables import nightly, only

NOW = datetime.datetime(2026, 11, 24, 9, 0, tzinfo=datetime.UTC)
LATER = NOW + datetime.timedelta(minutes=2)


def ask(key: str) -> Document:
    return operations.ask_for_document(
        key=key, kind="overdue", about="household/42", title="Overdue notice", page=samples.overdue(), now=NOW
    )


@pytest.mark.django_db(transaction=True)
class TestDatabase:
    def test_a_document_waits_whole_and_is_made_once_there_is_room(self, owner_cursor, client_as):
        document = ask("a")
        with no_room_for(owner_cursor, "documents_document", "content") as make_room:
            for _ in range(6):
                left = operations.make_document(document_id=document.pk, now=NOW)
                assert (left.state, left.content, left.sha256, left.attempts) == ("waiting", None, "", 0)
                assert left.next_try_at > NOW
                Document.objects.update(next_try_at=None)
            page = client_as("bookkeeper").get(reverse("document", args=[document.pk])).content.decode()
            assert disk.FULL.replace("'", "&#x27;") in page
            make_room()
            made = operations.make_document(document_id=document.pk, now=LATER)
        assert (made.state, made.attempts, made.last_error) == ("made", 1, "")
        assert bytes(made.content).startswith(b"%PDF-")

    def test_a_job_says_so_on_its_row_and_goes_on_by_itself(self, owner_cursor):
        def work(turn):
            Document.objects.create(key="long", kind="overdue", title="x", payload={"it": os.urandom(40_000).hex()}, asked_at=NOW)
            yield Step(done=1)

        run = JobRun.objects.create(code="try/it", on=NOW.date(), due_at=NOW)
        with only(nightly(work)), no_room_for(owner_cursor, "documents_document", "payload") as make_room:
            left = working.work_on(run_id=run.pk, now=lambda: NOW)
            assert (left.state, left.done, left.last_error) == ("waiting", 0, disk.FULL)
            assert not Document.objects.exists()
            make_room()
            assert working.work_on(run_id=run.pk, now=lambda: LATER).state == "done"
            assert Document.objects.count() == 1


@pytest.mark.django_db
def test_a_backup_that_finds_no_room_is_a_persons_and_the_same_worker_makes_it_then(tmp_path, monkeypatch, client_as):
    folder = tmp_path / "archives"
    monkeypatch.setenv("OFFICE_BACKUP_DIR", str(folder))
    monkeypatch.setenv("OFFICE_BACKUP_KEY_FILE", str(tmp_path / "key"))
    (tmp_path / "key").write_text("a key for this one test alone\n")
    manager = client_as("manager")
    run = JobRun.objects.create(code="office/backup", on=clock.today(), due_at=clock.now())
    with no_room_in(folder, 65_536) as make_room:
        given_up = working.work_on(run_id=run.pk, now=clock.now)
        assert (given_up.state, "has no room for it" in given_up.last_error) == ("given_up", True)
        assert [path.name for path in folder.iterdir()] == ["lock"]
        assert "has no room for it" in manager.get(reverse("jobs")).content.decode()
        make_room()
        manager.post(reverse("job_run_again", args=[run.pk]))
        assert working.work_on(run_id=run.pk, now=clock.now).state == "done"
        assert len(list_archives(folder)) == 1
    assert list(BackupRecord.objects.order_by("pk").values_list("state", flat=True)) == ["failed", "verified"]
