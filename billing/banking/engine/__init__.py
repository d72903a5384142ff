"""What each line of the bank most likely is: pure, quick, told everything, knows no database. `match` is its door."""

from billing.banking.engine.assignment import match
from billing.banking.engine.books import MOST_OF_ONE_PAYER, Books, Family, Fee, Item, Line
from billing.banking.engine.evidence import Candidate, Key, Name, Outcome
from billing.banking.engine.reading import read

__all__ = [
    "MOST_OF_ONE_PAYER",
    "Books",
    "Candidate",
    "Family",
    "Fee",
    "Item",
    "Key",
    "Line",
    "Name",
    "Outcome",
    "match",
    "read",
]
