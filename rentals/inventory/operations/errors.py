"""What an operation on the fleet may refuse: one class for each failure, told in a sentence a person can act on."""

import datetime
from collections.abc import Sequence

from rentals.inventory import rules
from rentals.inventory.models import CatalogueItem, Custody, Hold, Instrument, WorkOrder
from rentals.runtime.templatetags.office import moment


class AssetTagTakenError(Exception):
    """Another instrument carries this tag."""

    def __init__(self, asset_tag: str) -> None:
        self.asset_tag = asset_tag
        super().__init__(
            f"The tag {asset_tag} is already on another instrument: look at the label again, or give this one a new tag."
        )


class SerialNumberTakenError(Exception):
    """Another instrument of the same model carries this serial number."""

    def __init__(self, serial_number: str, item: CatalogueItem) -> None:
        self.serial_number, self.item = serial_number, item
        super().__init__(f"Another {item} already has the serial number {serial_number}: it may be here twice.")


class InstrumentNotThereError(Exception):
    """An instrument cannot go where it was asked to from where it is."""

    def __init__(self, instrument: Instrument, place: str, wanted: str) -> None:
        self.instrument, self.place, self.wanted = instrument, place, wanted
        self.possible = rules.NEXT_PLACES.get(place, ())
        names = dict(Custody.Place.choices)
        ways = [_way(other) for other in self.possible if other != place]
        here = names[Custody.Place(place)].lower() if place else "nowhere yet"
        there = names[Custody.Place(wanted)].lower()
        if wanted == place:
            message = f"{instrument.asset_tag} is already {here}."
        else:
            message = f"{instrument.asset_tag} is {here} and cannot go from there to: {there}."
        super().__init__(f"{message} It can go {_either(ways)}." if ways else f"{message} It has left the shop for good.")


class WorkOrderStillOpenError(Exception):
    """An instrument cannot leave the shop while a work order on it is open."""

    def __init__(self, instrument: Instrument, order: WorkOrder) -> None:
        self.instrument, self.order = instrument, order
        super().__init__(f"{instrument.asset_tag} has an open work order: close it first, saying what was done.")


class WorkOrderAlreadyOpenError(Exception):
    """There is one open work order at a time on an instrument."""

    def __init__(self, instrument: Instrument, order: WorkOrder) -> None:
        self.instrument, self.order = instrument, order
        super().__init__(f"{instrument.asset_tag} already has an open work order: {order.problem or order.get_kind_display()}")


class WorkOrderClosedError(Exception):
    """A closed work order is not closed again."""


class InstrumentChangedError(Exception):
    """Somebody changed the instrument since it was shown; `current` is how it stands now."""

    def __init__(self, current: Instrument) -> None:
        self.current = current
        super().__init__("Somebody else changed this instrument meanwhile. Compare, and save again if yours is right.")


class MoveBeforeLastMoveError(Exception):
    """A move cannot lie before the one it follows."""

    def __init__(self, instrument: Instrument, last_at: datetime.datetime) -> None:
        self.instrument, self.last_at = instrument, last_at
        super().__init__(
            f"{instrument.asset_tag} was moved later than that already, on {moment(last_at)}. Look where it is now, then go on."
        )


class MoveNotUndoneError(Exception):
    """A move that is not the last one, or no move by hand, is not taken back."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        super().__init__(
            f"{instrument.asset_tag} has gone on since, or this move is older than 30 days: nothing was changed. "
            "Say on its page where it is now."
        )


class CatalogueItemTakenError(Exception):
    """The catalogue has this model in this size already."""

    def __init__(self, maker: str, model: str, size: str) -> None:
        name = " ".join(part for part in (maker, model, size) if part)
        super().__init__(f"The catalogue already has {name}: change that one instead.")


class ProductCodeTakenError(Exception):
    """Another product has this code."""

    def __init__(self, sku: str) -> None:
        super().__init__(f"Another product already has the code {sku}: give this one a code of its own.")


class LocationTakenError(Exception):
    """There is a shop of this name already."""

    def __init__(self, name: str) -> None:
        super().__init__(f"There is a shop called {name} already, or one very like it: give this one another name.")


class CatalogueChangedError(Exception):
    """Somebody changed the catalogue entry since it was shown."""

    def __init__(self) -> None:
        super().__init__("Somebody else changed this entry meanwhile. Compare, and save again if yours is right.")


class InstrumentOnAgreementError(Exception):
    """An instrument that is on an open agreement is moved by ending or exchanging that, not by hand."""

    def __init__(self, instrument: Instrument, agreement: object) -> None:
        self.instrument, self.agreement = instrument, agreement
        super().__init__(
            f"{instrument.asset_tag} is on agreement {agreement}, which still runs: it can come to the shop and go back. "
            "To give it back for good, end the agreement at the counter."
        )


class InstrumentHeldError(Exception):
    """An instrument is put aside already, for something else."""

    def __init__(self, instrument: Instrument, hold: Hold) -> None:
        self.instrument, self.hold = instrument, hold
        super().__init__(f"{instrument.asset_tag} is held already: {hold.reason}. Release it first.")


class InstrumentNotHeldError(Exception):
    """There is no hold to release."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        super().__init__(f"{instrument.asset_tag} is not held, or somebody has released it meanwhile. Nothing is left to do.")


class NothingToHoldError(Exception):
    """Only what the shop has can be put aside."""

    def __init__(self, instrument: Instrument, where: str) -> None:
        self.instrument = instrument
        here = where.lower() or "nowhere yet"
        super().__init__(f"{instrument.asset_tag} is {here}, so it cannot be put aside. Say first where it stands.")


class HoldEndsTooSoonError(Exception):
    """A hold lasts until tomorrow at least."""

    def __init__(self) -> None:
        super().__init__("It would be free again at once: write a day from tomorrow on, or leave it empty.")


def _way(place: str) -> str:
    return {
        "shelf": "to the shelf",
        "bench": "to the shop",
        "van": "into the van",
        "family": "to a family",
        "school": "to a school",
        "lost": "on the list of lost ones",
        "sold": "as sold",
        "retired": "into retirement",
    }[place]


def _either(ways: Sequence[str]) -> str:
    return ways[0] if len(ways) == 1 else f"{', '.join(ways[:-1])} or {ways[-1]}"
