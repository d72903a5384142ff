"""Words of names and how near they are to each other. Pure."""

from collections.abc import Iterable

MOST_NEIGHBOURS = 12


def shorten(word: str) -> set[str]:
    """Return a word with each of its letters left out once.

    >>> sorted(shorten("ABC"))
    ['AB', 'AC', 'BC']
    """
    return {word[:n] + word[n + 1 :] for n in range(len(word))}


class Neighbours:
    """The words of a vocabulary that are one slip of the pen away: a letter lost, added, changed, or two swapped.

    Two words are that near when they, or they less one letter, meet (the deletion neighbourhood); so a look-up costs as many
    steps as the word has letters, whatever the vocabulary. Words of fewer than four letters have no neighbours: too much is near.
    """

    def __init__(self, vocabulary: Iterable[str]) -> None:
        self._vocabulary = set(vocabulary)
        self._index: dict[str, list[str]] | None = None
        self._found: dict[str, tuple[str, ...]] = {}

    def of(self, word: str) -> tuple[str, ...]:
        """Return the words of the vocabulary near a word, itself not among them."""
        found = self._found.get(word)
        if found is None:
            found = self._found[word] = self._look_up(word) if len(word) > 3 else ()
        return found

    def _look_up(self, word: str) -> tuple[str, ...]:
        index = self._ready()
        near = {other for key in (word, *shorten(word)) for other in index.get(key, ())}
        near |= {short for short in shorten(word) if short in self._vocabulary and len(short) > 3}
        near.discard(word)
        return tuple(sorted(near)[:MOST_NEIGHBOURS])

    def _ready(self) -> dict[str, list[str]]:
        if self._index is None:
            index: dict[str, list[str]] = {}
            for word in self._vocabulary:
                if len(word) > 3:
                    for short in shorten(word):
                        index.setdefault(short, []).append(word)
            self._index = index
        return self._index


def is_slip(one: str, other: str) -> bool:
    """Tell whether two keys of the same length differ by one character, or by two neighbours swapped.

    >>> is_slip("H-00412", "H-00421"), is_slip("H-00412", "H-00413"), is_slip("H-00412", "H-00523")
    (True, True, False)
    """
    if len(one) != len(other):
        return False
    apart = [n for n in range(len(one)) if one[n] != other[n]]
    if len(apart) == 1:
        return True
    return len(apart) == 2 and apart[1] == apart[0] + 1 and one[apart[0]] == other[apart[1]] and one[apart[1]] == other[apart[0]]
