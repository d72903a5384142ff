"""Write the tables of lives anew, as the second opinion reckons them: `python -m tests.lives.fill FILE…`. Read what it wrote.

In the place of tables a life may have one line that starts with `look`, the days whose figures are wanted: `look 2026-03-31`.
"""

import sys
from pathlib import Path

from tests.lives import tables
from tests.lives.reckoner import Reckoner


def filled(path: Path) -> str:
    """Return the text of a file with the tables of every life worked out."""
    lives = {life.line: life for life in tables.read_file(path)}
    kept, current, in_table = [], None, False

    def finish():
        if current is not None:
            while kept and not kept[-1].strip():
                kept.pop()
            kept.extend(["", *tables.written(tables.replay(current, Reckoner(current))).splitlines(), ""])

    for n, text in enumerate(path.read_text().splitlines(), 1):
        words = text.split()
        if n in lives:
            finish()
            current, in_table = lives[n], False
            kept += [""] if kept and kept[-1].strip() else []
        if words and words[0] in tables.TABLES and tuple(words) == tables.TABLES[words[0]]:
            in_table = True
        elif not words:
            in_table = False
        if not in_table and not text.startswith("look "):
            kept.append(text)
    finish()
    return "\n".join(kept).rstrip() + "\n"


if __name__ == "__main__":
    for name in sys.argv[1:]:
        Path(name).write_text(filled(Path(name)))
