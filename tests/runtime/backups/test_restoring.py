"""The drill: an office with a demo's families is backed up, lost, restored and verified; what goes wrong leaves the old one."""

import datetime
import json
from dataclasses import replace
from pathlib import Path

import pytest

from rentals.runtime.backups import copies, hooks
from rentals.runtime.backups.errors import BackupError
from rentals.runtime.backups.manifest import count_rows
from rentals.runtime.backups.restoring import restore_backup, run
from tests.runtime.backups.conftest import CANARY, NOW, Site, addresses, make_office

pytestmark = pytest.mark.django_db


@pytest.fixture
def own_office(office_template, tmp_path) -> Site:
    """An office whose database a test may lose."""
    owner, application = addresses("backing_own")
    make_office(owner)
    site = replace(office_template, owner=owner, application=application, folder=tmp_path / "backups", files=tmp_path / "files")
    (site.files / "letters").mkdir(parents=True)
    (site.files / "letters" / "one.txt").write_text("a letter")
    yield site
    with copies.server_of(owner) as server:
        names = server.execute("SELECT datname FROM pg_database WHERE datname LIKE 'backing_own%'").fetchall()
    for (name,) in names:
        copies.drop(owner.named(name))


class TestDrill:
    def test_brings_a_whole_office_back_on_an_empty_server(self, own_office: Site, tmp_path):
        """Database, files and rights, on a server that has no such database and in a folder that has no such files."""
        site = own_office
        run(["load_demo", "--households", "12"], emptied(site).as_url(), "Loading the demo")
        with site.owner.connect() as connection:
            rows = count_rows(connection)
        made = site.back_up()
        copies.drop(site.owner)
        elsewhere = replace(site, files=tmp_path / "other" / "files")
        told: list[str] = []
        done = restore_backup(elsewhere.order(made.path), now=NOW, tell=told.append)
        assert (done.kept_as, done.kept_files) == ("", "")
        assert "Checked on the copy: every invariant of the books holds." in told
        assert "Checked on the copy: the keys of bank account numbers fit." in told
        with site.owner.connect() as connection:
            restored = count_rows(connection)
        assert restored.pop("public.django_session") == 0
        rows.pop("public.django_session")
        assert restored == rows
        assert rows["public.billing_posting"] > 100
        assert (elsewhere.files / "letters" / "one.txt").read_text() == "a letter"
        report = json.loads(Path(done.report).read_text())
        assert report["manifest"]["figures"] == made.manifest["figures"]
        assert site.key.secret.decode() not in Path(done.report).read_text()
        run(["verify_books"], site.application.as_url(), "The books")
        may_not(site, "DELETE FROM billing_posting", "permission denied")
        may_not(site, "CREATE TABLE more (id int)", "permission denied")
        with site.owner.connect() as connection, pytest.raises(Exception, match="document"):
            connection.execute("UPDATE documents_document SET title = 'x' WHERE state = 'made'")


class TestRestore:
    def test_keeps_the_old_database_and_the_old_files(self, own_office: Site, monkeypatch):
        site = own_office
        monkeypatch.setattr(hooks, "COPY_CHECKS", {})  # the drill runs them
        made = site.back_up()
        with site.owner.connect() as connection:
            connection.execute("UPDATE staff_office SET name = 'after the mistake'")
        (site.files / "letters" / "one.txt").write_text("overwritten")
        done = restore_backup(site.order(made.path, replace=True), now=NOW, tell=print)
        assert done.kept_as == "backing_own_before_20261128t201500"
        assert site.ask("SELECT name FROM staff_office") == f"Shop {CANARY}"
        assert replace(site, owner=site.owner.named(done.kept_as)).ask("SELECT name FROM staff_office") == "after the mistake"
        assert (site.files / "letters" / "one.txt").read_text() == "a letter"
        assert (Path(done.kept_files) / "letters" / "one.txt").read_text() == "overwritten"
        for private in (site.files, site.files / "letters", site.files / "letters" / "one.txt", Path(done.report)):
            assert private.stat().st_mode & 0o077 == 0, private

    def test_an_older_archive_is_brought_to_this_version_before_its_checks(self, own_office: Site):
        """The office as it was before a migration; meanwhile the database was migrated, and something was written."""
        site = own_office
        column = "SELECT count(*) FROM pg_attribute WHERE attrelid = 'jobs_jobrun'::regclass AND attname = 'said'"
        run(["migrate", "jobs", "0001_runs", "--verbosity=0"], site.owner.as_url(), "Going back")
        assert site.ask(column) == 0
        made = site.back_up()
        assert "jobs.0002_said" not in made.manifest["migrations"]
        run(["migrate", "--verbosity=0"], site.owner.as_url(), "Going on")
        told: list[str] = []
        done = restore_backup(site.order(made.path, replace=True), now=NOW, tell=told.append)
        brought = told.index("The archive is older than this version: the copy was brought to it (1 migrations).")
        assert brought < told.index("Checked on the copy: every invariant of the books holds.")
        assert done.kept_as
        assert (site.ask(column), site.ask("SELECT name FROM staff_office")) == (1, f"Shop {CANARY}")
        run(["migrate", "--check"], site.owner.as_url(), "Being at this version")
        may_not(site, "CREATE TABLE more (id int)", "permission denied")

    def test_an_older_archive_that_cannot_be_brought_on_takes_nobodys_place(self, own_office: Site):
        """A column that the migration would add is there already, as somebody's hand left it."""
        site = own_office
        with site.owner.connect() as connection:
            connection.execute("DELETE FROM django_migrations WHERE app = 'jobs' AND name = '0002_said'")
        made, before = site.back_up(), site.state()
        with pytest.raises(BackupError, match=r"Bringing the copy to this version failed on the restored copy: .*already exists"):
            restore_backup(site.order(made.path, replace=True), now=NOW, tell=print)
        assert site.state() == before

    def test_a_copy_that_fails_its_checks_takes_nobodys_place(self, own_office: Site):
        """The owner slips a posting past the triggers before the backup: the archive is whole, and its books are not."""
        site = own_office
        with site.owner.connect() as connection:
            connection.execute("SET session_replication_role TO replica")
            connection.execute(
                "INSERT INTO billing_journalentry SELECT (jsonb_populate_record(NULL::billing_journalentry, %s)).*",
                [json.dumps(unbalanced(connection))],
            )
        made, before = site.back_up(), site.state()
        with pytest.raises(BackupError, match=r"every invariant of the books holds failed on the restored copy: BREACH"):
            restore_backup(site.order(made.path, replace=True), now=NOW, tell=print)
        assert site.state() == before

    def test_a_copy_whose_figures_differ_takes_nobodys_place(self, own_office: Site, monkeypatch):
        """A figure that says another thing each time stands for a dump that brought back something else."""
        site = own_office
        monkeypatch.setitem(hooks.FIGURES, "moment", hooks.Figure("moment", "SELECT clock_timestamp()::text"))
        made, before = site.back_up(), site.state()
        with pytest.raises(BackupError, match="The restored copy is not what the archive says: moment: "):
            restore_backup(site.order(made.path, replace=True), now=NOW, tell=print)
        assert site.state() == before

    def test_somebody_who_signs_in_meanwhile_stops_the_swap(self, own_office: Site, monkeypatch):
        site = own_office
        monkeypatch.setattr(hooks, "COPY_CHECKS", {})
        made, before = site.back_up(), site.state()
        opened = []

        def tell(line: str) -> None:
            if "agree with the archive" in line:
                opened.append(site.application.connect())

        with pytest.raises(BackupError, match="stop the office first"):
            restore_backup(site.order(made.path, replace=True), now=NOW, tell=tell)
        opened[0].close()
        assert site.state() == before

    def test_missing_bank_keys_are_named_and_can_be_given_up(self, own_office: Site, monkeypatch):
        """The check that opens one account is a command of the office; here it lacks its key, as on a machine without it."""
        site = own_office
        made, before = site.back_up(), site.state()
        lacking = hooks.CopyCheck("no_such_command", "the keys of bank account numbers fit", can_be_left_out=True)
        monkeypatch.setattr(hooks, "COPY_CHECKS", {"try_bank_keys": lacking})
        with pytest.raises(BackupError, match="keys of bank account numbers fit failed"):
            restore_backup(site.order(made.path, replace=True), now=NOW, tell=print)
        assert site.state() == before
        told: list[str] = []
        later = NOW + datetime.timedelta(minutes=1)
        restore_backup(site.order(made.path, replace=True, without_bank_keys=True), now=later, tell=told.append)
        assert "Left out, as you said: the keys of bank account numbers fit." in told


def emptied(site: Site):
    """Return the application's address of the office without the rows that the demo would stumble over."""
    with site.owner.connect() as connection:
        connection.execute("SET session_replication_role TO replica")
        for table in ("staff_office", "staff_numberseries"):
            connection.execute(f"DELETE FROM {table}")
    return site.application


def may_not(site: Site, statement: str, why: str) -> None:
    with site.application.connect() as connection, pytest.raises(Exception, match=why):
        connection.execute(statement)


def unbalanced(connection) -> dict:
    """Return the columns of an entry without postings, whatever columns there are."""
    columns = connection.execute(
        "SELECT column_name, data_type FROM information_schema.columns "
        "WHERE table_name = 'billing_journalentry' AND is_nullable = 'NO'"
    ).fetchall()
    plain = {"bigint": 1, "integer": 1, "date": "2026-11-01", "timestamp with time zone": "2026-11-01T12:00Z", "boolean": False}
    return {name: plain.get(kind, "x") for name, kind in columns}
