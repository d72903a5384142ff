"""Matching bank lines: of what (`parts`), the match itself (`making`), several lines at once (`together`), `undoing`."""

from billing.banking.matching.making import match_line, match_returned
from billing.banking.matching.parts import (
    LineLeftOutError,
    NotHeldError,
    NothingChosenError,
    NothingToUndoError,
    NotOutstandingError,
    OtherSideMatchedError,
    Part,
    PartsDoNotAddUpError,
    PaymentNotPositiveError,
    SameAccountError,
    is_of_two_at_once,
)
from billing.banking.matching.together import match_between, match_split
from billing.banking.matching.undoing import clear_held, undo_match

__all__ = [
    "LineLeftOutError",
    "NotHeldError",
    "NotOutstandingError",
    "NothingChosenError",
    "NothingToUndoError",
    "OtherSideMatchedError",
    "Part",
    "PartsDoNotAddUpError",
    "PaymentNotPositiveError",
    "SameAccountError",
    "clear_held",
    "is_of_two_at_once",
    "match_between",
    "match_line",
    "match_returned",
    "match_split",
    "undo_match",
]
