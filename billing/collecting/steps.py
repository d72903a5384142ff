"""The manager's table of steps: the one in force, the ones that episodes under way go by, and setting another."""

import datetime
from collections.abc import Collection, Sequence
from typing import Any

from django.db import connection, transaction

from billing.collecting import rules
from billing.collecting.rules import StepWanted
from billing.models import OverdueStep, StepsVersion
from rentals.runtime import clock
from rentals.staff.models import User


class StepsDoNotFitError(Exception):
    """The steps cannot be set as they are; `faults` says why, a sentence each."""

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__(" ".join(faults))
        self.faults = list(faults)


class StepsChangedError(Exception):
    """Somebody set other steps meanwhile."""

    def __init__(self, version: StepsVersion) -> None:
        who = f"{version.set_by.name} set" if version.set_by else "There is"
        super().__init__(
            f"Meanwhile: {who} table {version.number}. What you typed stands below; set it once more if it is to take its place."
        )
        self.version = version


def get_version() -> StepsVersion:
    """Return the table in force."""
    return StepsVersion.objects.order_by("-number").select_related("set_by")[0]


def list_steps(version_ids: Collection[int]) -> dict[int, list[OverdueStep]]:
    """Return the steps of these tables in their order, by the table's id."""
    found: dict[int, list[OverdueStep]] = {each: [] for each in version_ids}
    for step in OverdueStep.objects.filter(version__in=version_ids).order_by("version", "position"):
        found[step.version_id].append(step)
    return found


@transaction.atomic
def set_steps(
    *, steps: Sequence[StepWanted], grace_days: int, shown: int, acting_user: User, now: datetime.datetime
) -> StepsVersion:
    """Set another table; `shown` is the number of the one that was changed. What is under way goes on by its own.

    Outermost. Raises StepsDoNotFitError, StepsChangedError.
    """
    ordered = rules.in_order(steps)
    if faults := rules.list_faults(ordered):
        raise StepsDoNotFitError(faults)
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('billing.overdue_steps'))")
    before = get_version()
    if before.number != shown:
        raise StepsChangedError(before)
    return _write(ordered, grace_days, number=shown + 1, set_by=acting_user, now=now)


def _write(
    steps: Sequence[StepWanted], grace_days: int, *, number: int, set_by: User | None, now: datetime.datetime
) -> StepsVersion:
    version = StepsVersion.objects.create(number=number, grace_days=grace_days, step_count=len(steps), set_at=now, set_by=set_by)
    OverdueStep.objects.bulk_create(
        OverdueStep(
            version=version,
            position=step.position,
            days=step.days,
            kind=step.kind,
            wording=step.wording,
            days_to_answer=step.days_to_answer,
        )
        for step in steps
    )
    return version


@transaction.atomic
def ensure_steps(**_: Any) -> None:
    """Have a first table stand; called after every migration."""
    if not StepsVersion.objects.exists():
        _write(rules.DEFAULT, rules.DEFAULT_GRACE_DAYS, number=1, set_by=None, now=clock.now())
