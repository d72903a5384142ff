#!/usr/bin/env python3
"""The office's one command: `python3 manage.py demo`, `python3 manage.py test`, or any Django command.

Kept in the syntax of every Python there is, so that an old one can be told what it needs.
"""

import sys

if sys.version_info < (3, 11):
    sys.stderr.write(
        "The office needs Python 3.11 or newer; this is Python %d.%d (%s). Install a newer one, for example with: "
        "apt-get install python3, and start manage.py with that.\n" % (sys.version_info[0], sys.version_info[1], sys.executable)
    )
    sys.exit(2)

if __name__ == "__main__":
    from rentals.runtime import bootstrap

    bootstrap.main(sys.argv[1:])
