"""Reads of the history: changes over all tracked tables, newest first, each with who, what, and what was before.

Values of a room are shown only to who may see that room; to others a change says which fields changed, no more.
"""

import json
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache
from typing import Any

from django.db import connection, models
from django.utils import timezone

from rentals.runtime.templatetags.office import moment
from rentals.staff.history import event_models
from rentals.staff.models import User
from rentals.staff.policy import may

PAGE = 40
# Who may see a room's things may see what they were before.
VALUES_NEED = {
    "staff": "audit.view",
    "inventory": "instruments.view",
    "families": "households.view",
    "schools": "households.view",
    "agreements": "agreements.view",
    "documents": "documents.view",
    "billing": "books.view",
}
UNSHOWN = {"id", "search"}
LONGEST_VALUE = 160
VERBS = {"insert": "added", "update": "changed", "delete": "deleted"}


@dataclass(frozen=True)
class FieldChange:
    """One field before and after; None where there was nothing."""

    label: str
    before: str | None
    after: str | None


@dataclass(frozen=True)
class Change:
    """One event: when, who, by which request or job, on what, and the fields."""

    at: datetime
    cursor: str
    who: str
    where: str
    reason: str
    verb: str
    thing: str
    kind: str
    object_id: str
    is_hidden: bool
    has_before: bool
    fields: list[FieldChange]


@dataclass(frozen=True)
class Filter:
    """What to list. `kind` is a tracked model's label ("families.household"), `before` the cursor of the page before."""

    person_id: int | None = None
    kind: str = ""
    object_id: str = ""
    since: date | None = None
    until: date | None = None
    before: str = ""


@cache
def kinds() -> dict[str, type[models.Model]]:
    """Return the event model for each tracked model's label."""
    return {_tracked(model)._meta.label_lower: model for model in event_models()}


def list_kinds() -> list[tuple[str, str]]:
    """Return label and name of everything that has a history, for a filter."""
    named = [(label, str(_tracked(model)._meta.verbose_name).capitalize()) for label, model in kinds().items()]
    return sorted(named, key=lambda pair: pair[1])


def list_changes(*, wanted: Filter, viewer: User, limit: int = PAGE) -> tuple[list[Change], str]:
    """Return a page of changes, newest first, and the cursor of the next page ("" on the last), in two queries."""
    chosen = {label: model for label, model in kinds().items() if wanted.kind in {"", label}}
    where, parameters = _conditions(wanted)
    selects, values = [], []
    for label, model in chosen.items():
        selects.append(_select(label, model._meta.db_table, where))
        values += [label, *parameters(label), limit + 1]
    query = f"""
        SELECT u.*, c.metadata FROM ({" UNION ALL ".join(selects)}) u LEFT JOIN pghistory_context c ON c.id = u.context_id
        ORDER BY u.at DESC, u.kind DESC, u.event_id DESC LIMIT %s"""  # noqa: S608 - table names are our own models'
    with connection.cursor() as cursor:
        cursor.execute(query, [*values, limit + 1])
        columns = [column.name for column in cursor.description]
        rows = [_read(dict(zip(columns, row, strict=True))) for row in cursor.fetchall()]
    names = _names(rows)
    page = [_change(row, names, viewer) for row in rows[:limit]]
    return page, page[-1].cursor if len(rows) > limit else ""


def _tracked(event_model: type[models.Model]) -> type[models.Model]:
    tracked: type[models.Model] = event_model.pgh_tracked_model  # type: ignore[attr-defined]
    return tracked


def _select(label: str, table: str, where: str) -> str:
    """Read the newest events of one table, each with the event before it of the same row."""
    return f"""
        (SELECT %s AS kind, e.pgh_id AS event_id, e.pgh_created_at AS at, e.pgh_label AS label, e.pgh_obj_id::text AS object_id,
            e.pgh_context_id AS context_id, to_jsonb(e) AS now, (SELECT to_jsonb(p) FROM {table} p
            WHERE p.pgh_obj_id = e.pgh_obj_id AND p.pgh_id < e.pgh_id ORDER BY p.pgh_id DESC LIMIT 1) AS was
        FROM (SELECT * FROM {table} WHERE {where} ORDER BY pgh_created_at DESC, pgh_id DESC LIMIT %s) e)"""  # noqa: S608 - see above


def _begin_of(on: date) -> datetime:
    """Return when a day begins by the office's clock; the database's own runs in UTC."""
    return datetime.combine(on, time(), timezone.get_default_timezone())


def _conditions(wanted: Filter) -> tuple[str, Any]:
    where: list[str] = ["TRUE"]
    fixed: list[str | datetime] = []
    if wanted.person_id is not None:
        where.append("pgh_context_id IN (SELECT id FROM pghistory_context WHERE metadata->>'user' = %s)")
        fixed.append(str(wanted.person_id))
    if wanted.object_id:
        where.append("pgh_obj_id::text = %s")
        fixed.append(wanted.object_id)
    if wanted.since:
        where.append("pgh_created_at >= %s")
        fixed.append(_begin_of(wanted.since))
    if wanted.until:
        where.append("pgh_created_at < %s")
        fixed.append(_begin_of(wanted.until + timedelta(days=1)))
    place = _place(wanted.before)
    if place:
        where.append("(pgh_created_at, %s::text, pgh_id) < (%s::timestamptz, %s::text, %s::bigint)")
        return " AND ".join(where), lambda label: [*fixed, label, *place]
    return " AND ".join(where), lambda label: fixed


def _read(row: dict[str, Any]) -> dict[str, Any]:
    """Read the columns that are JSON."""
    return row | {name: json.loads(row[name]) if isinstance(row[name], str) else row[name] for name in ("now", "was", "metadata")}


def _place(cursor: str) -> list[str]:
    """Read a cursor; [] for one that nobody gave."""
    parts = cursor.split("~")
    if len(parts) != 3 or not parts[2].isdecimal() or len(parts[2]) > 18:
        return []
    try:
        datetime.fromisoformat(parts[0])
    except ValueError:
        return []
    return parts


def _names(rows: list[dict[str, Any]]) -> dict[str, str]:
    wanted = {str((row["metadata"] or {}).get("user")) for row in rows} - {"None", ""}
    people = User.objects.filter(pk__in=[int(pk) for pk in wanted if pk.isdecimal()]).values_list("pk", "name")
    return {str(pk): name for pk, name in people}


def _change(row: dict[str, Any], names: dict[str, str], viewer: User) -> Change:
    metadata = row["metadata"] or {}
    tracked = _tracked(kinds()[row["kind"]])
    sees = may(viewer, VALUES_NEED.get(tracked._meta.app_label, "staff.manage"))
    fields = _fields(tracked, row)
    return Change(
        at=row["at"],
        cursor=f"{row['at'].isoformat()}~{row['kind']}~{row['event_id']}",
        who=names.get(str(metadata.get("user")), "The database itself" if not metadata else "The office by itself"),
        where=str(metadata.get("operation") or metadata.get("job") or metadata.get("url") or ""),
        reason=str(metadata.get("reason", "")),
        verb=VERBS.get(row["label"], row["label"]),
        thing=f"{str(tracked._meta.verbose_name).capitalize()} {row['object_id']}",
        kind=row["kind"],
        object_id=row["object_id"],
        is_hidden=not sees,
        has_before=row["was"] is not None or row["label"] != "update",
        fields=fields if sees else [FieldChange(field.label, None, None) for field in fields],
    )


def _fields(tracked: type[models.Model], row: dict[str, Any]) -> list[FieldChange]:
    was, now = row["was"] or {}, row["now"] if row["label"] != "delete" else {}
    if row["label"] == "delete":
        was = row["now"]
    changes = []
    for field in tracked._meta.concrete_fields:
        before, after = was.get(field.column), now.get(field.column)
        if field.column in UNSHOWN or before == after:
            continue
        changes.append(FieldChange(str(field.verbose_name).capitalize(), _text(before, field), _text(after, field)))
    return changes


def _text(value: Any, field: "models.Field[Any, Any]") -> str | None:
    if value is None or value == "":
        return None
    if isinstance(field, models.DateField):
        return moment(field.to_python(value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    text = str(value)
    return text if len(text) <= LONGEST_VALUE else text[:LONGEST_VALUE] + "…"
