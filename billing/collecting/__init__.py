"""Families that owe: the steps of an overdue episode, what they promised, and what was said on the telephone."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import datetime

    from rentals.families.models import Household


def is_paused(household: "Household", today: "datetime.date") -> bool:
    """Tell whether a promise or a payment plan of this household runs today, so that nothing is asked for besides."""
    from billing.collecting import queries

    return queries.is_paused(household, today)
