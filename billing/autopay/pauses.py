"""Which families are left in peace for a while: nothing is told and nothing debited as long as that lasts."""

import datetime
from collections.abc import Iterable

from billing.collecting import queries as collecting


def why_paused(household_ids: Iterable[int], today: datetime.date) -> dict[int, str]:
    """Return why each of these households is left out today; those that are not do not stand in it."""
    running = collecting.list_paused(list(household_ids), today=today)
    return {household: f"{standing.arrangement.get_kind_display()} under way" for household, standing in running.items()}
