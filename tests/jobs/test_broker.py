"""What the broker brings is JSON and carries ids only; anything else is thrown away unread (OWASP ASVS 5.0, V1.5.2)."""

import os
import time
from pathlib import Path

from celery import current_app
from kombu import Connection

from rentals.celery import app
from rentals.jobs.models import JobMark
from rentals.runtime import clock
from tests.browser import Office


class Trap:
    """Unpickled, it leaves a file behind."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self):
        return (Path.touch, (self.path,))


def test_only_json_is_accepted_and_sent():
    assert set(app.conf.accept_content) == {"json"}
    assert (app.conf.task_serializer, app.conf.task_ignore_result) == ("json", True)


def test_a_pickle_is_never_opened_and_the_worker_goes_on(office: Office):
    sprung = Path(os.environ["OFFICE_STATE_DIR"]) / "sprung"
    headers = {"task": "rentals.jobs.tasks.tick", "id": "trap", "lang": "py"}
    with Connection(app.conf.broker_url) as connection, connection.SimpleQueue("celery") as queue:
        queue.put(Trap(sprung), serializer="pickle", headers=headers)
    JobMark.objects.update_or_create(code="outbox/send_due", defaults={"known_since": clock.now(), "ended_at": None})
    current_app.send_task("rentals.jobs.tasks.make_round", kwargs={"code": "outbox/send_due"})
    ends = time.monotonic() + 60
    while JobMark.objects.get(code="outbox/send_due").ended_at is None:
        assert time.monotonic() < ends, office.lines
        time.sleep(0.1)
    assert "Refusing to deserialize" in office.lines or "ContentDisallowed" in office.lines
    assert not sprung.exists()
