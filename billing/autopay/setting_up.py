"""Writing down how the office's bank wants its files."""

from django.db import transaction

from billing.models import AutopaySetup
from rentals.staff.models import User
from rentals.staff.policy import require

FIELDS = ("bank_name", "bank_routing", "origin", "company_name", "company_id", "approval_limit")


@transaction.atomic
def write_setup(*, setup: AutopaySetup, acting_user: User) -> AutopaySetup:
    """Write the one row, new or in place of what stood there; the history keeps what was. Raises PermissionDenied."""
    require(acting_user, "autopay.set_up")
    told = {name: getattr(setup, name) for name in FIELDS}
    written, _is_new = AutopaySetup.objects.update_or_create(pk=1, defaults=told)
    return written
