"""The checklist of a month as it stands: what holds, what was waived and why, what keeps the month open."""

import datetime
from dataclasses import dataclass

from billing.closing.checks import CHECKS, ClosingCheck, Found, list_checks
from billing.closing.span import Month
from billing.models import ClosingWaiver


@dataclass(frozen=True)
class Line:
    """One check with what it found and, where somebody let it pass, the waiver."""

    check: ClosingCheck
    found: Found
    waiver: ClosingWaiver | None

    @property
    def is_settled(self) -> bool:
        """Whether it lets the month be closed."""
        return self.found.holds or (not self.check.is_hard and self.waiver is not None)

    @property
    def state(self) -> str:
        """holds, waived, open (soft) or forbids (hard)."""
        if self.found.holds:
            return "holds"
        if self.is_settled:
            return "waived"
        return "forbids" if self.check.is_hard else "open"

    def as_kept(self) -> dict[str, str]:
        """Give what a closing keeps of it."""
        return {
            "code": self.check.code,
            "title": self.check.title,
            "state": self.state,
            "note": self.found.note,
            "waived": f"{self.waiver.reason} ({self.waiver.made_by.name})" if self.waiver and not self.found.holds else "",
        }


def list_lines(month: Month, *, today: datetime.date) -> list[Line]:
    """Run every check of a month."""
    waivers = {
        each.code: each
        for each in ClosingWaiver.objects.filter(first_day=month.first_day, withdrawn_at=None).select_related("made_by")
    }
    return [Line(check, check.find(month, today), waivers.get(check.code)) for check in list_checks()]


def get_check(code: str) -> ClosingCheck | None:
    """Return the check of this code."""
    return CHECKS.get(code)
