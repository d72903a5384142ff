"""Words of the fleet in the books that memos and screens share."""


def counted(count: int) -> str:
    """Write how many instruments there are.

    >>> counted(1), counted(1200)
    ('1 instrument', '1,200 instruments')
    """
    return "1 instrument" if count == 1 else f"{count:,} instruments"
