"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime

from rentals.agreements.models import SignUpDraft
from tests.agreements.factories import AgreementFactory, PlanFactory, PlanVersionFactory
from tests.factories import SpecialistFactory
from tests.families.factories import HouseholdFactory

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)

EXAMPLES = {
    "agreement_id": lambda: AgreementFactory().pk,
    "version_id": lambda: PlanVersionFactory().pk,
    "code": lambda: PlanFactory().code,
    "uuid:draft_id": lambda: (
        SignUpDraft.objects.create(user=SpecialistFactory(), household=HouseholdFactory(), updated_at=NOW).pk
    ),
}
