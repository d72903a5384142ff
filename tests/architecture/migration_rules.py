"""What a migration may do to tables of the released state, by the statements it runs: each rule gives the breaches it finds.

Sources: PostgreSQL's manual, "ALTER TABLE" (which forms rewrite or scan a table, NOT VALID), "CREATE INDEX" (CONCURRENTLY) and
"Explicit Locking". The released code goes on reading and writing while a migration runs and until the new code has started.
"""

import re
from collections.abc import Iterator
from typing import Any

from django.db import connection
from django.db.migrations import Migration
from django.db.migrations.operations import RunPython, RunSQL
from django.db.migrations.state import ProjectState

TABLE = r'(?:ONLY\s+)?(?:IF\s+EXISTS\s+)?(?:"?public"?\.)?"?(?P<table>\w+)"?'
ONE_WAY = "one_way"
"""A migration that cannot be taken back says why: `one_way = "The old numbers are gone."`."""
STEADY = re.compile(
    r"^\(?(?:[-+]?[\d.]+|'(?:[^']|'')*'|true|false|null|now\(\)|statement_timestamp\(\)|current_\w+)\)?(?:::[\w \[\]]+)?$", re.I
)
SEPARATE = r"(?:CREATE (?:UNIQUE )?INDEX CONCURRENTLY|DROP INDEX CONCURRENTLY|VALIDATE CONSTRAINT)"


def statements_of(migration: Migration, state: ProjectState) -> list[str]:
    """Return the statements that a migration would run, without running them; what Python does is not among them."""
    with connection.schema_editor(collect_sql=True, atomic=migration.atomic) as editor:
        migration.apply(state, editor, collect_sql=True)
    lines = "\n".join(line for line in editor.collected_sql if not line.startswith("--"))
    return [" ".join(words.split()) for words in split(lines)]


def split(text: str) -> list[str]:
    """Cut SQL at its semicolons, but not inside quotes or the bodies of functions."""
    pieces = [match.group() for match in re.finditer(r"(?:\$(\w*)\$.*?\$\1\$|'(?:[^']|'')*'|--[^\n]*|[^;])+", text, re.DOTALL)]
    return [piece.strip() for piece in pieces if piece.strip()]


def breaches(migration: Migration, statements: list[str]) -> Iterator[str]:
    """Give what a migration may not do, one sentence each."""
    new = {
        found["table"]
        for each in statements
        if (found := re.match(rf"CREATE TABLE {TABLE.replace('EXISTS', 'NOT EXISTS')}", each, re.I))
    }
    old = [each for each in statements if table_of(each) not in new]
    for statement in old:
        yield from (f"{what}: {statement[:110]}" for what in in_a_statement(statement))
    yield from left_without_a_default(old)
    yield from apart(migration, old)
    yield from no_way_back(migration)


def table_of(statement: str) -> str:
    """Return the table that a statement is about, "" when it is about none."""
    found = re.match(rf"ALTER TABLE {TABLE}", statement, re.I) or re.match(rf"CREATE .*?\bON {TABLE}", statement, re.I)
    return found["table"] if found else ""


def in_a_statement(words: str) -> Iterator[str]:
    """Look at one statement on a table that the released code uses."""
    code = re.sub(r"\$(\w*)\$.*?\$\1\$", "$$", words)
    if re.match(r"CREATE (UNIQUE )?INDEX (?!CONCURRENTLY)", code, re.I):
        yield "an index built while writers wait (AddIndexConcurrently)"
    if re.match(r"DROP INDEX (?!CONCURRENTLY)", code, re.I):
        yield "an index dropped while everybody waits (RemoveIndexConcurrently)"
    if re.match(r"(LOCK|TRUNCATE|VACUUM FULL|CLUSTER|REINDEX(?!.*CONCURRENTLY))\b", code, re.I):
        yield "locks the whole table"
    if re.match(r"DROP (TABLE|VIEW|FUNCTION|SEQUENCE|TYPE)\b(?! IF EXISTS pgtrigger)", code, re.I):
        yield "takes away what the released code uses"
    if not re.match(r"ALTER TABLE", code, re.I):
        return
    for form in re.split(r",\s*(?=(?:ADD|DROP|ALTER|RENAME|VALIDATE)\b)", code):
        yield from in_a_form(form)


def in_a_form(form: str) -> Iterator[str]:
    """Look at one form of ALTER TABLE."""
    if re.search(r"ADD (CONSTRAINT \S+ )?(CHECK|FOREIGN KEY)\b", form, re.I) and not re.search(r"NOT VALID\s*$", form, re.I):
        yield "a constraint checked at once (AddConstraintNotValid, then ValidateConstraint in a migration of its own)"
    if re.search(r"\bREFERENCES\b", form, re.I) and re.search(r"ADD COLUMN", form, re.I):
        yield "a foreign key locks the other table too (db_constraint=False, then NOT VALID and VALIDATE)"
    if re.search(r"ADD (CONSTRAINT \S+ )?(UNIQUE|PRIMARY KEY|EXCLUDE)\b", form, re.I) and not re.search(
        r"USING INDEX", form, re.I
    ):
        yield "an index built by a constraint (a unique index CONCURRENTLY, then USING INDEX)"
    if re.search(r"ADD COLUMN .*\b(UNIQUE|PRIMARY KEY|GENERATED|SERIAL|BIGSERIAL)\b", form, re.I):
        yield "a column that rewrites the table or builds an index"
    if re.search(r"ALTER COLUMN \S+ (SET DATA )?TYPE\b", form, re.I):
        yield "a column's type changed (a new column, filled in slices)"
    if re.search(r"ALTER COLUMN \S+ SET NOT NULL", form, re.I):
        yield "NOT NULL scans the table, and the released code may leave it empty (a CHECK, not valid and then validated)"
    default = re.search(r"ADD COLUMN .*?\bDEFAULT (.+?)(?: NOT NULL| NULL| CHECK\b.*)?$", form, re.I)
    if default and not STEADY.match(default[1].strip()):
        yield "a default worked out for each row rewrites the table"
    if re.search(r"\bDROP COLUMN\b", form, re.I):
        yield "a column dropped that the released code reads (first stop reading it, drop it a release later)"
    if re.search(r"\bRENAME\b|\bSET SCHEMA\b", form, re.I):
        yield "renamed under the released code"


def left_without_a_default(statements: list[str]) -> Iterator[str]:
    """A new column may not be NOT NULL without a default that stays: the released code writes rows without it."""
    open_columns: set[str] = set()
    for each in statements:
        for name, rest in re.findall(r'ADD COLUMN "?(\w+)"?(.*?)(?=, ADD |$)', each, re.I):
            if re.search(r"NOT NULL", rest, re.I) and not re.search(r"\bDEFAULT (?!NULL)|GENERATED", rest, re.I):
                open_columns.add(name)
        open_columns |= {
            name for name in re.findall(r'ALTER COLUMN "?(\w+)"? DROP DEFAULT', each, re.I) if added(name, statements)
        }
    yield from (f"{name} is NOT NULL without a default of the database (db_default=…)" for name in sorted(open_columns))


def added(name: str, statements: list[str]) -> bool:
    """Return whether a column is new, and may not be left empty."""
    return any(re.search(rf'ADD COLUMN "?{name}"? .*NOT NULL', each, re.I) for each in statements)


def apart(migration: Migration, statements: list[str]) -> Iterator[str]:
    """What takes its time stands alone, so that no lock is held meanwhile and nothing half done is left."""
    slow = [each for each in statements if re.search(SEPARATE, each, re.I)]
    if slow and len(statements) > len(slow):
        yield f"something else beside what takes its time: {slow[0][:80]}"
    if not migration.atomic and len(migration.operations) > 1:
        yield "several operations without a transaction (atomic = False): one a migration, or a half one may be left"


def no_way_back(migration: Migration) -> Iterator[str]:
    """A migration can be taken back, or says why not."""
    if getattr(migration, ONE_WAY, ""):
        return
    for operation in migration.operations:
        if not operation.reversible:
            yield f"cannot be taken back ({operation.describe()}): give the way back, or say why not in `{ONE_WAY}`"


def needs_a_test(migration: Migration) -> bool:
    """Return whether a migration changes data, so that a test of before and after names it."""
    rows = re.compile(r"^\s*(UPDATE|DELETE|INSERT|MERGE)\b", re.I | re.M)
    return any(
        isinstance(each, RunPython) or (isinstance(each, RunSQL) and rows.search(flat(each.sql))) for each in migration.operations
    )


def flat(sql: Any) -> str:
    """Write out what RunSQL takes: a text, or a list of texts and pairs."""
    return sql if isinstance(sql, str) else "\n".join(each if isinstance(each, str) else each[0] for each in sql)
