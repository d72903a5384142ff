"""An errand done: the instrument moves with it. One transaction."""

import datetime

from django.db import transaction

from rentals.agreements.models import AgreementUnit
from rentals.counter.bench import operations as bench
from rentals.inventory import operations as fleet
from rentals.inventory import queries
from rentals.inventory.models import Custody, Instrument, Location
from rentals.staff.models import User
from schools import errands
from schools.models import Errand


class NotForThatShopError(Exception):
    """What the van fetched comes in at a shop, and nobody said at which."""

    def __init__(self) -> None:
        super().__init__("Choose the shop where it comes in, then tick it once more.")


class NotAtTheShopError(Exception):
    """What is to be brought is not at the shop."""

    def __init__(self, instrument: Instrument, words: str) -> None:
        super().__init__(f"{instrument.asset_tag} is {words.lower()}, not in the shop: look at it first, or call the errand off.")


@transaction.atomic
def do_errand(*, errand: Errand, location: Location | None, acting_user: User, now: datetime.datetime) -> Errand:
    """Tick an errand done and move its instrument.

    Fetched: in to the shop at `location`, with a work order that says what is wrong. Brought: back to the family that rents it,
    or to the school where nobody does. What happened to it by hand meanwhile is left as it is.
    Raises ErrandEndedError, OnTheRunError, NotForThatShopError, NotAtTheShopError, and what taking in and giving back raise.
    """
    errands.refuse_on_run(errand)
    ended = errands.end(errand=errand, outcome=Errand.Outcome.DONE, acting_user=acting_user, now=now)
    where = queries.get_whereabouts(errand.instrument)
    if errand.kind == Errand.Kind.PICK_UP:
        if where is None or where.place != Custody.Place.BENCH:
            _fetch(errand, location, acting_user, now)
    elif where is None or where.place not in {Custody.Place.FAMILY, Custody.Place.SCHOOL}:
        if where is None or where.place not in {Custody.Place.BENCH, Custody.Place.SHELF}:
            raise NotAtTheShopError(errand.instrument, where.words if where else "nowhere yet")
        _bring(errand, where, acting_user, now)
    return ended


def _fetch(errand: Errand, location: Location | None, acting_user: User, now: datetime.datetime) -> None:
    if location is None:
        raise NotForThatShopError
    bench.take_in(
        instrument=errand.instrument,
        problem=errand.what or f"Fetched at {errand.school}: ask what is wrong",
        location=location,
        loaner_tag="",
        acting_user=acting_user,
        now=now,
    )


def _bring(errand: Errand, where: queries.Whereabouts, acting_user: User, now: datetime.datetime) -> None:
    unit = AgreementUnit.objects.filter(instrument=errand.instrument, ended_at=None).first()
    if unit is not None and where.custody.location is not None:
        bench.hand_back(
            instrument=errand.instrument,
            work_done="" if queries.get_open_work_order(errand.instrument) is None else f"Brought to {errand.school}",
            loaner_is_back=False,
            location=where.custody.location,
            acting_user=acting_user,
            now=now,
        )
        return
    fleet.move_by_hand(
        instrument=errand.instrument,
        place=Custody.Place.SCHOOL,
        school=errand.school,
        reason="Brought by the van",
        acting_user=acting_user,
        now=now,
    )
