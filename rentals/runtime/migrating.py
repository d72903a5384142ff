"""Migrating a bare database in seconds: Django renders every related model anew for each operation, here once for many.

An operation needs the models before it and after it. Operations next to each other that neither make the same thing twice nor
change what one of them made may share both, so only their first and last states are rendered; what is done to the database, and
in which order, stays the same. Migrations are written as ever.
"""

import functools
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from django.contrib.postgres.operations import AddConstraintNotValid
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations import Migration
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.operations import (
    AddConstraint,
    AddField,
    AddIndex,
    AlterField,
    CreateModel,
    RemoveConstraint,
    RemoveField,
    RemoveIndex,
)
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState
from pgtrigger.migrations import AddTrigger, RemoveTrigger

from rentals.runtime import migrating_live

CHANGES = (
    *(AddField, AlterField, RemoveField, AddIndex, RemoveIndex, AddConstraint, AddConstraintNotValid, RemoveConstraint),
    *(AddTrigger, RemoveTrigger),
)


class Together(Operation):
    """Several operations between one state before and one after them. Never written to a file."""

    def __init__(self, operations: Sequence[Operation]) -> None:
        self.operations = list(operations)

    def state_forwards(self, app_label: str, state: ProjectState) -> None:
        """Change the plain state step by step, then render the touched models and what is related to them, once."""
        rendered = state.__dict__.pop("apps", None)
        for operation in self.operations:
            operation.state_forwards(app_label, state)
        if rendered is not None:
            state.apps = rendered
            near = all(stays_near(each) for each in self.operations)
            state.reload_models([(app_label, model_of(each)) for each in self.operations], delay=near)

    def database_forwards(
        self, app_label: str, schema_editor: BaseDatabaseSchemaEditor, from_state: ProjectState, to_state: ProjectState
    ) -> None:
        """Do one after the other."""
        for operation in self.operations:
            operation.database_forwards(app_label, schema_editor, from_state, to_state)

    def describe(self) -> str:
        """Name them all."""
        return "; ".join(operation.describe() for operation in self.operations)


def stays_near(operation: Operation) -> bool:
    """Tell whether only neighbours see a change: as in Django's own operations, those further away may then be rendered later."""
    if isinstance(operation, AddField):
        return not operation.field.is_relation
    return not isinstance(operation, CreateModel | AlterField | RemoveField)


def model_of(operation: Any) -> str:
    """Return the lower-case name of the model that an operation makes or changes."""
    return str(operation.name_lower if isinstance(operation, CreateModel) else operation.model_name.lower())


def thing_of(operation: Any) -> tuple[str, ...]:
    """Return what an operation makes, changes or removes: a model, or a field, index, constraint or trigger of one."""
    if isinstance(operation, CreateModel):
        return (model_of(operation),)
    part = next((getattr(operation, each) for each in ("index", "constraint", "trigger") if hasattr(operation, each)), operation)
    return (model_of(operation), str(part.name).lower())


def together(operations: Sequence[Operation]) -> Iterator[Operation]:
    """Yield the operations in their order, neighbours that may share their states as one."""
    group: list[Operation] = []
    things: set[tuple[str, ...]] = set()
    for operation in operations:
        fits = type(operation) in {CreateModel, *CHANGES}
        if group and (not fits or sort_of(operation) != sort_of(group[0]) or thing_of(operation) in things):
            yield joined(group)
            group, things = [], set()
        if fits:
            group.append(operation)
            things.add(thing_of(operation))
        else:
            yield operation
    if group:
        yield joined(group)


def sort_of(operation: Operation) -> bool:
    """Tell making a model from changing one: a model is made with the fields it has in the state after."""
    return isinstance(operation, CreateModel)


def joined(group: list[Operation]) -> Operation:
    """Return one operation as it is, several as one."""
    return group[0] if len(group) == 1 else Together(group)


class Executor(MigrationExecutor):
    """Django's executor, with neighbouring operations put together on the way forward, and limits where an office works."""

    office_stopped = False
    """Whether nobody is kept waiting, so that a migration may take its time."""

    @functools.cached_property
    def is_limited(self) -> bool:
        """Return whether somebody may be at work on this database."""
        return not self.office_stopped and migrating_live.has_history(self.connection)

    def apply_migration(
        self, state: ProjectState, migration: Migration, fake: bool = False, fake_initial: bool = False
    ) -> ProjectState:
        """Apply one migration. `--fake` and `--fake-initial` look at the operations as they were written."""
        apply = super().apply_migration
        if fake or fake_initial:
            return apply(state, migration, fake=fake, fake_initial=fake_initial)
        migration.operations = list(together(migration.operations))  # type: ignore[misc]
        return self._carefully(migration, lambda: apply(state.clone(), migration))

    def unapply_migration(self, state: ProjectState, migration: Migration, fake: bool = False) -> ProjectState:
        """Take one migration back."""
        unapply = super().unapply_migration
        if fake:
            return unapply(state, migration, fake=True)
        return self._carefully(migration, lambda: unapply(state.clone(), migration))

    def _carefully(self, migration: Migration, do: Callable[[], ProjectState]) -> ProjectState:
        if not self.is_limited:
            return do()

        def tell(sentence: str) -> None:
            if self.progress_callback:
                self.progress_callback("taken_back", sentence)  # type: ignore[arg-type]

        done: ProjectState = migrating_live.attempt(self.connection, migration, do, tell)
        return done
