"""Nothing is lost and nothing done twice, whatever is ended without warning while bills, letters and mails are under way.

Worker, its children, clocks, broker and database are killed (SIGKILL) or emptied at random moments, again and again. In the end
every family has its charges, its one letter and its one mail, and the books are clean. The short form runs here; the long one
is `OFFICE_PROOF=5000 OFFICE_PROOF_STRIKES=20 python3 manage.py test tests/proof` (families, strikes).
"""

import calendar
import datetime
import email
import email.message
import os
import random
import shutil
import time
from collections import Counter
from pathlib import Path

import pytest

from rentals.runtime import places
from tests.proof.office import Office

FAMILIES = int(os.environ.get("OFFICE_PROOF", "36"))
STRIKES = int(os.environ.get("OFFICE_PROOF_STRIKES", "6"))
SEED = int(os.environ.get("OFFICE_PROOF_SEED", "20261128"))
MADE = "SELECT count(*) FROM documents_document WHERE state = 'made'"
OPEN_WORK = """
SELECT (SELECT count(*) FROM jobs_jobrun WHERE state IN ('waiting', 'running'))
     + (SELECT count(*) FROM documents_document WHERE state = 'waiting')
     + (SELECT count(*) FROM documents_outboxmessage WHERE state IN ('queued', 'sending'))
"""
HOW_IT_STANDS = """
SELECT 'job ' || code, state, attempts::text, done::text, last_error FROM jobs_jobrun
UNION ALL SELECT 'document', state, max(attempts)::text, count(*)::text, max(last_error) FROM documents_document GROUP BY state
UNION ALL SELECT 'message', state, max(attempts)::text, count(*)::text, max(last_error)
  FROM documents_outboxmessage GROUP BY state
UNION ALL SELECT 'round ' || code, failures::text, told_at::text, ended_at::text, last_error FROM jobs_jobmark
"""


@pytest.fixture(scope="module")
def office():
    folder = places.PROJECT / ".state" / "test" / f"proof-{os.getpid()}"
    folder.mkdir(mode=0o711, parents=True)
    opened = Office(folder)
    try:
        opened.open(FAMILIES)
        opened.start_all()
        strike_again_and_again(opened)
        opened.wait_until(lambda: opened.count(OPEN_WORK) == 0, seconds=240 + FAMILIES, told=lambda: how_it_stands(opened))
        yield opened
    finally:
        opened.close()
        shutil.rmtree(folder)


def how_it_stands(office: Office) -> str:
    with office.books() as cursor:
        cursor.execute(HOW_IT_STANDS)
        rows = "\n".join(" | ".join(str(cell) for cell in row) for row in cursor)
    return f"{rows}\n{(office.folder / 'processes.log').read_text(errors='replace')[-4000:]}"


def strike_again_and_again(office: Office) -> None:
    """Strike at random moments all through the work, measured by letters made; bring back what is down, as a supervisor does."""
    chance = random.Random(SEED)
    strikes = {
        "worker": lambda: office.kill("worker"),
        "child": office.kill_a_child,
        "clock": lambda: office.kill("beat-0"),
        "broker": office.kill_broker,
        "database": office.kill_database,
        "emptied": office.empty_broker,
    }
    names = list(strikes) * (STRIKES // len(strikes) + 1)
    for place, name in enumerate(chance.sample(names, STRIKES)):
        reached = FAMILIES * place // (STRIKES + 1)
        office.wait_until(lambda so=reached: office.count(MADE) >= so, seconds=240 + FAMILIES, told=lambda: how_it_stands(office))
        time.sleep(chance.uniform(0, 1.5))
        strikes[name]()
        time.sleep(chance.uniform(0, 1.5))
        office.start_all()


def months_begun(begins_on: datetime.date, today: datetime.date) -> int:
    """Count the monthly periods that have begun, by the civil calendar: the same day each month, or the month's last."""
    count = 0
    while True:
        year, month = divmod(begins_on.year * 12 + begins_on.month - 1 + count, 12)
        day = min(begins_on.day, calendar.monthrange(year, month + 1)[1])
        if datetime.date(year, month + 1, day) > today:
            return count
        count += 1


def list_mails(folder: Path) -> list[email.message.Message]:
    """Read what Django's file backend wrote: two senders of one second may share a file, a line of dashes after each mail."""
    written = [part for path in folder.glob("*.log") for part in path.read_bytes().split(b"-" * 79 + b"\n")]
    return [mail for mail in map(email.message_from_bytes, written) if mail["To"]]


class TestAfterEverythingWasKilled:
    def test_every_job_is_done(self, office):
        with office.books() as cursor:
            cursor.execute("SELECT code, state, last_error FROM jobs_jobrun WHERE code LIKE 'billing/%' AND state <> 'done'")
            assert cursor.fetchall() == []

    def test_every_period_that_has_begun_is_charged_once(self, office):
        with office.books() as cursor:
            cursor.execute("SELECT max(through_on) FROM billing_billingrun")
            today = cursor.fetchone()[0]
            cursor.execute("""
                SELECT a.id, a.starts_on, count(c.id), count(DISTINCT c.period) FROM agreements_agreement a
                  LEFT JOIN billing_charge c ON c.agreement_id = a.id AND c.kind = 'rent' AND c.void_entry_id IS NULL
                 GROUP BY a.id ORDER BY a.id""")
            rows = cursor.fetchall()
        assert len(rows) == FAMILIES
        assert [row for row in rows if not row[2] == row[3] == months_begun(row[1], today)] == []

    def test_every_family_has_one_letter_and_it_is_made(self, office):
        with office.books() as cursor:
            cursor.execute("""
                SELECT h.id, count(DISTINCT n.id), count(DISTINCT m.id), count(DISTINCT d.id) FILTER (WHERE d.state = 'made')
                  FROM families_household h
                  LEFT JOIN billing_overduenotice n ON n.household_id = h.id
                  LEFT JOIN documents_outboxmessage m ON m.household_id = h.id
                  LEFT JOIN documents_document d ON d.id = m.document_id
                 GROUP BY h.id ORDER BY h.id""")
            rows = cursor.fetchall()
        assert [row for row in rows if row[1:] != (1, 1, 1)] == []
        assert office.count("SELECT count(*) FROM documents_document") == FAMILIES

    def test_every_mail_went_out_once_or_says_that_it_may_have_gone_twice(self, office):
        assert office.count("SELECT count(*) FROM documents_outboxmessage WHERE state = 'sent'") == FAMILIES // 3
        with office.books() as cursor:
            cursor.execute("SELECT to_address, last_error FROM documents_outboxmessage WHERE state = 'sent'")
            rows = dict(cursor.fetchall())
        sent = Counter(str(mail["To"]).rpartition("<")[2].rstrip(">") for mail in list_mails(office.folder / "mail"))
        assert set(rows) <= set(sent)
        assert {address for address, times in sent.items() if times > 1} <= {address for address, told in rows.items() if told}

    def test_the_books_are_clean(self, office):
        assert "checks hold" in office.python("manage.py", "verify_books")
