"""What a file brings: what is new, what changes, and what is wrong, each by its row."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from django import forms

from rentals.inventory.importing.checking import CellError
from rentals.inventory.importing.columns import Column
from rentals.runtime.exports import unguarded

SHOWN = 80
"""So many letters of a cell or of an earlier value are shown."""


@dataclass(frozen=True)
class Change:
    """One thing that a row adds or changes: `what` it is, its name, and in words what it takes on."""

    row: int
    what: str
    name: str
    is_new: bool
    told: str = ""


@dataclass
class Outcome:
    """All that a file brings, in the order of its rows."""

    changes: list[Change] = field(default_factory=list)
    errors: list[CellError] = field(default_factory=list)

    @property
    def added(self) -> int:
        """How many things are new."""
        return sum(change.is_new for change in self.changes)

    @property
    def changed(self) -> int:
        """How many things that are known take on something else."""
        return len(self.changes) - self.added

    def fingerprint(self) -> str:
        """Return 64 hex digits that differ when anything shown differs."""
        return hashlib.sha256(json.dumps([asdict(change) for change in self.changes]).encode()).hexdigest()


class Cells:
    """One row's cells under our names; keeps what is wrong with them."""

    def __init__(self, row: int, cells: Sequence[str], places: Mapping[str, int], columns: Sequence[Column]) -> None:
        self.row, self.cells, self.places = row, cells, places
        self.labels = {column.key: column.label for column in columns}

    def text(self, key: str) -> str:
        """Return what stands in a cell, "" where the file has none."""
        place = self.places.get(key)
        return "" if place is None or place >= len(self.cells) else unguarded(self.cells[place].replace("\x00", "").strip())

    def error(self, key: str, message: str) -> CellError:
        """Say what is wrong with a cell."""
        return CellError(self.row, self.labels.get(key, ""), self.text(key)[:SHOWN], message)

    def form_errors(self, form: forms.Form, names: Mapping[str, str] | None = None) -> list[CellError]:
        """Say of each cell what a form finds wrong; `names` turns fields of the form into our columns."""
        return [self.error((names or {}).get(name, name), str(messages[0])) for name, messages in form.errors.items() if messages]


def describe_changes(before: Mapping[str, Any], after: Mapping[str, Any], labels: Mapping[str, str]) -> str:
    """Say what differs: "Street: 1 Main → 2 Main; City: …"; "" where nothing does."""
    parts = [
        f"{labels.get(key, key)}: {_shown(before.get(key))} → {_shown(value)}"
        for key, value in after.items()
        if before.get(key) != value
    ]
    return "; ".join(parts)


def _shown(value: Any) -> str:
    return "none" if value in {None, ""} else str(value)[:SHOWN]
