"""Every write about a plan's versions: a draft that the manager changes until it is published, and then never again."""

import hashlib
from dataclasses import dataclass, field, fields
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from django.db import transaction
from moneyed import Money

from rentals.agreements.models import Plan, PlanVersion
from rentals.runtime import locks
from rentals.runtime.money import money
from rentals.staff.models import User
from rentals.staff.policy import require

CAPABILITY = "terms.manage"


@dataclass(frozen=True)
class PlanTerms:
    """What a plan version sets; shares and discount are fractions. The values it begins with are common practice, no source."""

    title: str
    terms: str = ""
    intro_months: int = 0
    due_day: int | None = None
    grace_days: int = 10
    late_fee: Money = field(default_factory=lambda: money(0))
    protection_required: bool = False
    protection_covers: str = ""
    deductible: Money = field(default_factory=lambda: money(0))
    cleaning_worth: Money = field(default_factory=lambda: money(150))
    credit_share: Decimal = Decimal(1)
    step_up_share: Decimal = Decimal("0.6")
    credit_cap: Decimal = Decimal(1)
    early_purchase_discount: Decimal = Decimal(0)
    credit_lives_months: int = 0
    part_month: str = PlanVersion.PartMonth.NONE
    minimum_term: str = PlanVersion.MinimumTerm.NONE
    school_year_ends: int = 5


class NoDraftError(Exception):
    """The plan has no draft."""

    def __init__(self, plan: Plan) -> None:
        super().__init__(f"“{plan}” has no draft now: somebody published it or threw it away. Begin the next version.")


class DraftChangedError(Exception):
    """The draft is not the one that was on the screen: `changed` names the settings somebody else saved meanwhile."""

    def __init__(self, changed: tuple[str, ...]) -> None:
        self.changed = changed
        super().__init__("Somebody else saved this draft while you worked on it.")


class NothingChangedError(Exception):
    """A version would say the same as the one before it."""

    def __init__(self, version: PlanVersion) -> None:
        super().__init__(f"This draft says the same as version {version.number}: change something first, or throw it away.")


def terms_of(version: PlanVersion) -> PlanTerms:
    """Return what a version sets."""
    return PlanTerms(**{each.name: getattr(version, each.name) for each in fields(PlanTerms)})


def version_of(plan: Plan, terms: PlanTerms) -> PlanVersion:
    """Return a version of a plan with these terms that is not saved: for an example."""
    return PlanVersion(plan=plan, number=0, **_columns(terms))


def fingerprint(version: PlanVersion | None) -> str:
    """Return a short print of what a draft sets, to know whether it is still the one that was shown; "" without a draft."""
    if version is None:
        return ""
    said = "\n".join(f"{name}={_plain(value)}" for name, value in _columns(terms_of(version)).items())
    return hashlib.sha256(said.encode()).hexdigest()[:20]


def list_changed(before: PlanTerms, after: PlanTerms) -> tuple[str, ...]:
    """List the settings in which two terms differ, in their order."""
    was, said = _columns(before), _columns(after)
    return tuple(name for name in said if _plain(was[name]) != _plain(said[name]))


class Standing(NamedTuple):
    """Where a plan stands: its draft, and the version that was published last."""

    plan: Plan
    draft: PlanVersion | None
    last: PlanVersion | None

    @property
    def seen(self) -> str:
        """The fingerprint of the draft."""
        return fingerprint(self.draft)

    @property
    def begins_with(self) -> PlanTerms:
        """What the editor begins with: the draft, else the last published version, else common practice."""
        version = self.draft or self.last
        return terms_of(version) if version else PlanTerms(title=self.plan.name)


def get_standing(plan: Plan) -> Standing:
    """Return where a plan stands. One query."""
    versions = list(PlanVersion.objects.filter(plan=plan).order_by("-number"))
    draft = next((each for each in versions if each.published_at is None), None)
    return Standing(plan, draft, next((each for each in versions if each.published_at), None))


@transaction.atomic
def save_draft(*, plan: Plan, terms: PlanTerms, seen: str, acting_user: User) -> PlanVersion:
    """Write the draft of a plan's next version, a new one or over the one that stands there. Outermost.

    `seen` is the fingerprint of the draft that was on the screen. Raises DraftChangedError when it is another one now.
    """
    require(acting_user, CAPABILITY)
    stands = get_standing(locks.lock_one(Plan.objects.filter(pk=plan.pk)))
    _check_seen(stands, seen, terms)
    draft = stands.draft or PlanVersion(plan=stands.plan, number=stands.last.number + 1 if stands.last else 1)
    for name, value in _columns(terms).items():
        setattr(draft, name, value)
    draft.save()
    return draft


@transaction.atomic
def publish_draft(*, plan: Plan, seen: str, acting_user: User, now: datetime) -> PlanVersion:
    """Publish the draft: new agreements are signed under it, old ones stay under theirs, and it never changes again. Outermost.

    Raises NoDraftError, DraftChangedError when it is not the draft that was shown (`seen`), NothingChangedError.
    """
    require(acting_user, CAPABILITY)
    stands = get_standing(locks.lock_one(Plan.objects.filter(pk=plan.pk)))
    if stands.draft is None:
        raise NoDraftError(stands.plan)
    _check_seen(stands, seen, stands.begins_with)
    if stands.last is not None and not list_changed(terms_of(stands.last), stands.begins_with):
        raise NothingChangedError(stands.last)
    stands.draft.published_at = now
    stands.draft.save(update_fields=["published_at"])
    return stands.draft


@transaction.atomic
def discard_draft(*, plan: Plan, acting_user: User) -> None:
    """Throw the draft of a plan away. Outermost. Raises NoDraftError."""
    require(acting_user, CAPABILITY)
    stands = get_standing(locks.lock_one(Plan.objects.filter(pk=plan.pk)))
    if stands.draft is None:
        raise NoDraftError(stands.plan)
    stands.draft.delete()


def _check_seen(stands: Standing, seen: str, terms: PlanTerms) -> None:
    if stands.seen != seen:
        raise DraftChangedError(list_changed(terms, stands.begins_with) if stands.draft else ())


def _columns(terms: PlanTerms) -> dict[str, object]:
    return {each.name: getattr(terms, each.name) for each in fields(PlanTerms)}


def _plain(value: object) -> str:
    """Write a value so that 0.6 and 0.6000 are the same."""
    amount = getattr(value, "amount", value)
    return f"{amount.normalize():f}" if isinstance(amount, Decimal) else str(amount)
