"""What several documents show: the letterhead, whom a letter goes to, lines of amounts and of facts."""

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True)
class Letterhead:
    """The office as it stood when the document was asked for."""

    name: str
    street: str
    city: str
    state: str
    postal_code: str
    phone: str
    email: str


@dataclass(frozen=True)
class Addressee:
    """Whom a letter goes to. `lines` are the postal lines under the name, at most three."""

    name: str
    lines: tuple[str, ...]
    household_number: str = ""


@dataclass(frozen=True)
class PriceLine:
    """One line of a list of amounts."""

    label: str
    amount: Decimal


@dataclass(frozen=True)
class KitLine:
    """A thing taken along: how many, and the price of all of them."""

    name: str
    quantity: int
    amount: Decimal


@dataclass(frozen=True)
class FactLine:
    """One fact by its label, both in words."""

    label: str
    value: str
