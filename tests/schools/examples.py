"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

from tests.inventory.factories import ProductFactory, kind
from tests.schools.factories import (
    CleaningDayFactory,
    ErrandFactory,
    NightFactory,
    ProgrammeFactory,
    RequiredItemFactory,
    SchoolFactory,
)

EXAMPLES = {
    "errand_id": lambda: ErrandFactory().pk,
    "cleaning_day_id": lambda: CleaningDayFactory().pk,
    "night_id": lambda: NightFactory().pk,
    "school_id": lambda: SchoolFactory().pk,
    "programme_id": lambda: ProgrammeFactory().pk,
    "required_item_remove.item_id": lambda: RequiredItemFactory(kind=kind("violin"), product=ProductFactory()).pk,
}
