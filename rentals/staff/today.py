"""What each person does first today: the acts of the first page, in the order of the day, and how much of each waits.

Which of them a person sees, the table of capabilities says. How much waits is told by the rooms that know, through COUNTS.
"""

import datetime
from collections.abc import Callable
from dataclasses import dataclass

from django.urls import NoReverseMatch, reverse

from rentals.staff.models import Role, User
from rentals.staff.policy import may


@dataclass(frozen=True)
class Act:
    """Something to do: the sentence, its address, what it needs, and the roles whose day it belongs to."""

    label: str
    note: str
    url_name: str
    capability: str
    roles: frozenset[Role]


@dataclass(frozen=True)
class Waiting:
    """An act as shown; `count` is None where nothing is counted, `trouble` says in words what of it went wrong, if anything."""

    label: str
    note: str
    url: str
    count: int | None
    trouble: str = ""


@dataclass(frozen=True)
class Told:
    """How much waits, and what of it went wrong, in words that are shown in red ("" for nothing)."""

    count: int
    trouble: str


SPECIALIST, BOOKKEEPER, TECHNICIAN = Role.SPECIALIST, Role.BOOKKEEPER, Role.TECHNICIAN
MANAGER, ADMINISTRATOR = Role.MANAGER, Role.ADMINISTRATOR


def _act(label: str, note: str, url_name: str, capability: str, *roles: Role) -> Act:
    return Act(label, note, url_name, capability, frozenset(roles))


ACTS = [
    _act("Sign a family up", "Student, instrument, plan, signature", "signup", "agreements.sign", SPECIALIST, MANAGER),
    _act("Find a family", "Account, agreements, payments", "households", "households.view", SPECIALIST, BOOKKEEPER, MANAGER),
    _act("Instruments to come", "Families that signed and wait", "instruments_to_come", "nights.sign_up", SPECIALIST, MANAGER),
    _act("My takings", "Count down what I took today", "my_takings", "takings.count", SPECIALIST, BOOKKEEPER, MANAGER),
    _act("Takings not closed", "Days before today", "takings", "takings.view_all", BOOKKEEPER, MANAGER),
    _act("Scan an instrument", "In to the shop, out to the shelf or the family", "bench", "instruments.move", TECHNICIAN),
    _act("Work orders", "What is open on the bench", "bench_queue", "instruments.move", TECHNICIAN, MANAGER),
    _act("Annual cleanings", "Instruments that are due", "cleanings", "instruments.move", TECHNICIAN, MANAGER),
    _act("The fleet", "Every instrument, and where it is", "instruments", "instruments.view", SPECIALIST, TECHNICIAN, MANAGER),
    _act("Take a fleet in", "From the shop's own spreadsheet", "fleet_import", "fleet.import", TECHNICIAN, MANAGER),
    _act("Waiting for approval", "Adjustments above the limit", "adjustments", "adjustments.approve", MANAGER),
    _act("Payments on hand", "Make them a deposit", "deposits", "deposits.make", BOOKKEEPER, MANAGER),
    _act("The bank's file", "Take it in and match its lines", "bank", "bank.import", BOOKKEEPER, MANAGER),
    _act("Bill the month", "Or see how the last run went", "billing_runs", "billing.run", BOOKKEEPER, MANAGER),
    _act("Call list", "Families that owe, to call today", "call_list", "collecting.work", SPECIALIST, BOOKKEEPER, MANAGER),
    _act("Next steps with schools", "What was left to do after a talk", "next_steps", "schools.view", SPECIALIST, MANAGER),
    _act("Overdue accounts", "Families with something past due", "aging", "books.view", BOOKKEEPER, MANAGER),
    _act("Outbox", "Letters to print, and mails that failed", "outbox", "outbox.view", SPECIALIST, BOOKKEEPER, MANAGER),
    _act("Jobs", "What the office does by itself", "jobs", "jobs.view", BOOKKEEPER, MANAGER, ADMINISTRATOR),
    _act("Backups", "Last night's was not made, or could not be read", "backups", "backups.view", ADMINISTRATOR),
    _act("People", "Who works here, and what for", "people", "staff.manage", ADMINISTRATOR),
    _act("History", "Who changed what", "history", "audit.view", ADMINISTRATOR, MANAGER),
]

COUNTS: dict[str, Callable[[datetime.date], int | Told]] = {}
"""Address name -> how much waits there on a day; rooms above add theirs when they are ready."""


def list_waiting(*, user: User, today: datetime.date) -> list[Waiting]:
    """Return the acts of a person's day."""
    found = []
    for act in ACTS:
        if user.role not in act.roles or not may(user, act.capability):
            continue
        try:
            url = reverse(act.url_name)
        except NoReverseMatch:
            continue
        told = COUNTS[act.url_name](today) if act.url_name in COUNTS else None
        count, trouble = (told.count, told.trouble) if isinstance(told, Told) else (told, "")
        found.append(Waiting(act.label, act.note, url, count, trouble))
    return found
