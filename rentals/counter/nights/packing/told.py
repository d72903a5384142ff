"""What a scan at the van is answered with."""

from dataclasses import asdict, dataclass
from typing import Any, Self


@dataclass(frozen=True)
class Told:
    """The answer to one scan. `tone`: good, info, warn or bad; `choices`: (value, label) of what may be done with `code`.

    `undo` is the tag of what the next press of Undo takes back, "" where there is nothing to take back.
    """

    tone: str
    words: str
    more: str = ""
    code: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    undo: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Give it as plain data, to be kept with the request."""
        return asdict(self) | {"choices": [list(each) for each in self.choices]}

    @classmethod
    def of(cls, kept: dict[str, Any]) -> Self:
        """Read it back."""
        return cls(**{**kept, "choices": tuple((value, label) for value, label in kept["choices"])})
