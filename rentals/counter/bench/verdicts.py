"""What a scan is answered with: a tone, big words, and what to do next."""

from dataclasses import asdict, dataclass, replace
from typing import Any, Self


@dataclass(frozen=True)
class Verdict:
    """The answer to one scan. `tone`: good, info, warn or bad. `tag`: the instrument it is about, "" when about none.

    `hand` is the tag that stays in hand after it; `undo` names what undoing needs, empty where there is nothing to undo.
    """

    tone: str
    words: str
    more: str = ""
    tag: str = ""
    hand: str = ""
    undo: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Give it as plain data, to be kept with a request or in a session."""
        return asdict(self) | {"undo": list(self.undo)}

    @classmethod
    def of(cls, kept: dict[str, Any]) -> Self:
        """Read it back."""
        return cls(**{**kept, "undo": tuple(kept["undo"])})

    def holding(self, tag: str) -> Self:
        """Return the same answer with this tag in hand."""
        return replace(self, hand=tag)
