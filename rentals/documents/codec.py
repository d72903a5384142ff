"""Frozen dataclasses to plain JSON and back, by their annotations alone. Amounts travel as text, never as floats."""

import dataclasses
import datetime
import types
import typing
from decimal import Decimal
from typing import Any, TypeVar

Page = TypeVar("Page")

PLAIN: dict[type, Any] = {
    Decimal: Decimal,
    datetime.date: datetime.date.fromisoformat,
    datetime.datetime: datetime.datetime.fromisoformat,
}


class PayloadError(ValueError):
    """A stored payload does not fit the page it is meant for."""


def to_payload(page: Any) -> dict[str, Any]:
    """Turn a page into JSON-ready values, nested pages and tuples included."""
    return {field.name: _plain(getattr(page, field.name)) for field in dataclasses.fields(page)}


def from_payload(kind: type[Page], payload: dict[str, Any]) -> Page:
    """Build the page back; a field added later with a default may be missing in an older payload.

    Raises PayloadError when something is missing, left over, or of the wrong sort.
    """
    hints = typing.get_type_hints(kind)
    left_over = payload.keys() - hints.keys()
    if left_over:
        raise PayloadError(f"{kind.__name__} has no field {', '.join(sorted(left_over))}")
    try:
        return kind(**{name: _typed(hints[name], value) for name, value in payload.items()})
    except (TypeError, ValueError, ArithmeticError) as error:
        raise PayloadError(f"{kind.__name__}: {error}") from error


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value):
        return to_payload(value)
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, datetime.date):  # a datetime is one too
        return value.isoformat()
    if isinstance(value, Decimal):
        return str(value)
    if value is None or isinstance(value, str | int):
        return value
    raise PayloadError(f"{type(value).__name__} does not belong on a page")


def _typed(hint: Any, value: Any) -> Any:
    if isinstance(hint, types.UnionType):
        wanted = next(part for part in typing.get_args(hint) if part is not types.NoneType)
        return None if value is None else _typed(wanted, value)
    if typing.get_origin(hint) is tuple:
        return tuple(_typed(typing.get_args(hint)[0], item) for item in value)
    if dataclasses.is_dataclass(hint):
        return from_payload(typing.cast("type[Any]", hint), value)
    if hint in PLAIN:
        return PLAIN[hint](value)
    if not isinstance(value, hint):
        raise PayloadError(f"{value!r} is no {hint.__name__}")
    return value
