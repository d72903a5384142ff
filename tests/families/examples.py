"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime

from rentals.families import operations
from tests.factories import SpecialistFactory
from tests.families.factories import GuardianFactory, StudentFactory

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def consent_id() -> int:
    """What a guardian agreed to."""
    return operations.record_consent(
        guardian=GuardianFactory(),
        kind="electronic_records",
        wording="Example",
        wording_version="1",
        acting_user=SpecialistFactory(),
        now=NOW,
    ).pk


EXAMPLES = {
    "guardian_id": lambda: GuardianFactory().pk,
    "student_id": lambda: StudentFactory().pk,
    "consent_id": consent_id,
    "reminders_stop.token": lambda: "forged",
}
