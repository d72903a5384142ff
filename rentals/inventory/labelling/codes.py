"""The two codes of a label, as modules: dark and light, in the smallest step of the code. Pure.

Code 128 (ISO/IEC 15417) and QR Code (ISO/IEC 18004) of the asset tag alone, so that every scanner gives the tag. Never a Micro
QR: many telephones cannot read one.
"""

from functools import lru_cache

QUIET_BARS = 10
"""Light modules on each side of a Code 128 (ISO/IEC 15417)."""
QUIET_SQUARES = 4
"""Light modules around a QR Code (ISO/IEC 18004)."""


@lru_cache(maxsize=4096)
def code_128(text: str) -> str:
    """Return the modules of a Code 128, "1" for dark, without its quiet zones.

    >>> len(code_128("FL-1042")), code_128("FL-1042")[:11]
    (101, '11010010000')
    """
    from barcode import Code128

    modules: str = Code128(text).build()[0]
    return modules


@lru_cache(maxsize=4096)
def qr_code(text: str) -> tuple[str, ...]:
    """Return the rows of a QR Code, "1" for dark, without its quiet zone. Up to 20 letters, digits and dashes make 21 rows."""
    import segno

    symbol = segno.make(text, micro=False, error="m")
    return tuple("".join("1" if dark else "0" for dark in row) for row in symbol.matrix)


def runs(modules: str) -> list[tuple[int, int]]:
    """Return the dark runs of a row of modules as (begin, length).

    >>> runs("110100")
    [(0, 2), (3, 1)]
    """
    found, begin = [], None
    for place, module in enumerate(modules + "0"):
        if module == "1" and begin is None:
            begin = place
        elif module == "0" and begin is not None:
            found.append((begin, place - begin))
            begin = None
    return found


def bars_path(modules: str) -> str:
    """Draw a Code 128 as the path of an SVG, one unit a module and one unit high, its quiet zone left free."""
    return "".join(f"M{QUIET_BARS + begin} 0h{length}v1h-{length}z" for begin, length in runs(modules))


def squares_path(rows: tuple[str, ...]) -> str:
    """Draw a QR Code as the path of an SVG, one unit a module, its quiet zone left free."""
    return "".join(
        f"M{QUIET_SQUARES + begin} {QUIET_SQUARES + line}h{length}v1h-{length}z"
        for line, row in enumerate(rows)
        for begin, length in runs(row)
    )
