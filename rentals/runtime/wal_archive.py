"""PostgreSQL's archive_command: `python3 wal_archive.py PATH_OF_SEGMENT PLACE_IN_THE_ARCHIVE`. Standard library only.

Repeatable: a segment that lies there already with the same bytes is a success, because a server that was killed between copying
it and noting that asks for it again. Another one of the same name is never overwritten. Ends with 0 only once it is on the disk.
"""

import filecmp
import os
import shutil
import sys
from pathlib import Path


def archive(segment: Path, place: Path) -> str:
    """Put a segment into the archive; return what is wrong, "" when it is there."""
    if place.exists():
        if filecmp.cmp(segment, place, shallow=False):
            return ""
        return f"{place} is there with other bytes: two servers must not write into one archive."
    aside = place.with_name(f".{place.name}.{os.getpid()}")
    try:
        with segment.open("rb") as source, aside.open("xb") as target:
            shutil.copyfileobj(source, target, 1 << 20)
            target.flush()
            os.fsync(target.fileno())
        aside.rename(place)
        folder = os.open(place.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        return f"{segment} could not be archived as {place}: {error.strerror}."
    finally:
        aside.unlink(missing_ok=True)
    return ""


if __name__ == "__main__":
    wrong = archive(Path(sys.argv[1]), Path(sys.argv[2]))
    sys.stderr.write(f"{wrong}\n" if wrong else "")
    sys.exit(1 if wrong else 0)
