"""What a stock count may refuse, each in a sentence that says what to do."""

from rentals.inventory.models import StockCount


class CountClosedError(Exception):
    """A closed count takes nothing more."""

    def __init__(self, count: StockCount) -> None:
        self.count = count
        ended = "called off" if count.outcome == StockCount.Outcome.CALLED_OFF else "closed"
        super().__init__(f"This count was {ended} by {count.closed_by}. Nothing was added to it: open a new count to go on.")


class CountAlreadyOpenError(Exception):
    """A shop has one open count at a time."""

    def __init__(self, count: StockCount) -> None:
        self.count = count
        super().__init__(
            f"{count.location} is being counted already, by {count.opened_by}. "
            "Join that count, or close it before opening another."
        )


class CountScanSettledError(Exception):
    """A scan whose difference was settled by a move is not taken back."""

    def __init__(self, code: str) -> None:
        super().__init__(f"{code} was settled in the review, so its scan stands. Move the instrument itself if that was wrong.")


class DifferenceGoneError(Exception):
    """What was to be settled is not as it was seen: settled by somebody else, scanned, or moved meanwhile."""

    def __init__(self, name: str) -> None:
        super().__init__(
            f"{name}: this is not as you saw it any more. It was scanned, moved or settled meanwhile; look once more."
        )


class WayNotOpenError(Exception):
    """A difference of this sort is not settled in this way."""

    def __init__(self, name: str, difference: str, way: str) -> None:
        super().__init__(f"{name}: {difference.lower()}; it cannot be settled as “{way.lower()}”. Choose another way for it.")


class RetiredByManagerError(Exception):
    """What was retired comes back by the manager's decision only."""

    def __init__(self, name: str) -> None:
        super().__init__(f"{name} was retired: ask the manager to put it back, or leave it as it is.")


class DifferencesLeftError(Exception):
    """A count is not closed while differences wait."""

    def __init__(self, number: int) -> None:
        self.number = number
        waiting = "1 difference waits" if number == 1 else f"{number:,} differences wait"
        super().__init__(f"{waiting} for a decision. Settle them, or say why the rest may be left as it is.")
