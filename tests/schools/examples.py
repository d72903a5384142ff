"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

from tests.inventory.factories import ProductFactory, kind
from tests.schools.factories import (
    CleaningDayFactory,
    ContactFactory,
    DirectorFactory,
    ErrandFactory,
    HomeErrandFactory,
    LoadFactory,
    NightFactory,
    ProgrammeFactory,
    RequiredItemFactory,
    RunFactory,
    SchoolDayFactory,
    SchoolFactory,
    StopFactory,
)

EXAMPLES = {
    "errand_id": lambda: ErrandFactory().pk,
    "cleaning_day_id": lambda: CleaningDayFactory().pk,
    "night_id": lambda: NightFactory().pk,
    "director_id": lambda: DirectorFactory().pk,
    "district_id": lambda: SchoolFactory().district_id,
    "contact_id": lambda: ContactFactory().pk,
    "school_day_remove.day_id": lambda: SchoolDayFactory().pk,
    "school_id": lambda: SchoolFactory().pk,
    "run_id": lambda: RunFactory().pk,
    "stop_id": lambda: StopFactory().pk,
    "load_id": lambda: LoadFactory().pk,
    "home_errand_id": lambda: HomeErrandFactory().pk,
    "night_number.number": lambda: 1,
    "night_hand_over.tablet_id": lambda: 1,
    "programme_id": lambda: ProgrammeFactory().pk,
    "required_item_remove.item_id": lambda: RequiredItemFactory(kind=kind("violin"), product=ProductFactory()).pk,
}
