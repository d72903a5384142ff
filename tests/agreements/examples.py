"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime
import uuid

from rentals.agreements.models import NightSignUp, SignUpDraft
from tests.agreements.factories import AgreementFactory, PlanFactory, PlanVersionFactory, UnitPromiseFactory
from tests.factories import SpecialistFactory
from tests.families.factories import HouseholdFactory
from tests.schools.factories import NightFactory

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def sign_up_id():
    """A sign-up of a night that needs a person."""
    return NightSignUp.objects.create(
        pk=uuid.uuid4(),
        night=NightFactory(),
        device=uuid.uuid4(),
        sequence=1,
        made_at=NOW,
        received_at=NOW,
        sent_by=SpecialistFactory(),
        taken_by=SpecialistFactory(),
        was_offline=True,
        pack="0" * 16,
        state="discarded",
        discard_reason="Signed twice",
        resolved_at=NOW,
        resolved_by=SpecialistFactory(),
    ).pk


EXAMPLES = {
    "uuid:sign_up_id": sign_up_id,
    "agreement_id": lambda: AgreementFactory().pk,
    "promise_id": lambda: UnitPromiseFactory().pk,
    "version_id": lambda: PlanVersionFactory().pk,
    "code": lambda: PlanFactory().code,
    "uuid:draft_id": lambda: (
        SignUpDraft.objects.create(user=SpecialistFactory(), household=HouseholdFactory(), updated_at=NOW).pk
    ),
}
