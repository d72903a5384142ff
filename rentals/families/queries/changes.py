"""What changed about a household since somebody opened it, read from the audit trail."""

from dataclasses import dataclass

from rentals.families.models import Household

LABELS = {
    "name": "Filed under",
    "street": "Street and number",
    "unit": "Apartment or unit",
    "city": "City",
    "state": "State",
    "postal_code": "ZIP code",
    "language": "Language of letters",
    "notes": "Notes",
}


@dataclass(frozen=True)
class Change:
    """One field that is not as it was shown."""

    label: str
    then: str
    now: str


def list_changes_since(household: Household, version: int) -> list[Change]:
    """List the household's fields that differ between `version` and now; empty when only a guardian or student changed."""
    shown = household.events.filter(version=version).order_by("-pgh_id").first()  # type: ignore[attr-defined]
    if shown is None:
        return []
    pairs = [(label, str(getattr(shown, field)), str(getattr(household, field))) for field, label in LABELS.items()]
    return [Change(label, then, now) for label, then, now in pairs if then != now]
