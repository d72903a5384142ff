"""The settings of a plan in words: in groups, as the editor asks them and as a version or its changes are read."""

import calendar
from collections.abc import Callable
from typing import Any, NamedTuple

from rentals.agreements.models import PlanVersion
from rentals.agreements.plans import PlanTerms, list_changed
from rentals.agreements.wording import months, percent
from rentals.runtime.templatetags.office import money


class Group(NamedTuple):
    """Settings that belong together."""

    heading: str
    hint: str
    names: tuple[str, ...]


class Said(NamedTuple):
    """One setting as it is read."""

    label: str
    value: str


class Change(NamedTuple):
    """One setting before and after."""

    label: str
    before: str
    after: str


GROUPS = (
    Group("What families read", "The title stands on the sign-up sheet, the text in every agreement.", ("title", "terms")),
    Group(
        "When and how much",
        "The rent itself stands in the rate card. Here stands how it is billed.",
        ("intro_months", "due_day", "grace_days", "late_fee"),
    ),
    Group(
        "Protection and care",
        "What protection costs stands in the rate card.",
        ("protection_required", "protection_covers", "deductible", "cleaning_worth"),
    ),
    Group(
        "Credit toward buying",
        "Only rent that was paid counts; tax, protection and fees never do.",
        ("credit_share", "step_up_share", "credit_cap", "early_purchase_discount", "credit_lives_months"),
    ),
    Group("Giving it back", "", ("part_month", "minimum_term", "school_year_ends")),
)

LABELS = {
    "title": "Title",
    "terms": "The shop's own terms",
    "intro_months": "Introductory months",
    "due_day": "Due day",
    "grace_days": "Days of grace",
    "late_fee": "Late fee",
    "protection_required": "Protection is required",
    "protection_covers": "What protection covers",
    "deductible": "Deductible",
    "cleaning_worth": "Annual cleaning worth up to",
    "credit_share": "Share of rent toward this instrument",
    "step_up_share": "Share of rent toward a better one",
    "credit_cap": "Share of the price that credit may cover",
    "early_purchase_discount": "Off what remains when bought early",
    "credit_lives_months": "Months that credit stays after a return",
    "part_month": "The month in which it comes back",
    "minimum_term": "Minimum term",
    "school_year_ends": "A school year ends with",
}


def _amount_or_none(value: Any) -> str:
    return money(value) if value.amount else "None"


WORDS: dict[str, Callable[[Any], str]] = {
    "intro_months": lambda value: months(value) if value else "None",
    "due_day": lambda value: f"Day {value} of every month" if value else "The day the rental began",
    "late_fee": lambda value: f"{money(value)}, once for an overdue charge" if value.amount else "None",
    "protection_required": lambda value: "Yes" if value else "No, offered",
    "protection_covers": lambda value: value or "Not said",
    "deductible": _amount_or_none,
    "cleaning_worth": _amount_or_none,
    "credit_share": percent,
    "step_up_share": percent,
    "credit_cap": percent,
    "early_purchase_discount": percent,
    "credit_lives_months": lambda value: months(value) if value else "It ends with the return",
    "part_month": lambda value: str(PlanVersion.PartMonth(value).label),
    "minimum_term": lambda value: str(PlanVersion.MinimumTerm(value).label),
    "school_year_ends": lambda value: calendar.month_name[value],
}


def in_words(terms: PlanTerms, name: str) -> str:
    """Write one setting as it is read."""
    return WORDS.get(name, str)(getattr(terms, name))


def describe(terms: PlanTerms) -> list[tuple[str, list[Said]]]:
    """List every setting but the texts, by its group's heading."""
    return [
        (group.heading, [Said(LABELS[name], in_words(terms, name)) for name in group.names])
        for group in GROUPS
        if "terms" not in group.names
    ]


def describe_changes(before: PlanTerms | None, after: PlanTerms) -> list[Change]:
    """List what changes against the version before, everything when there is none."""
    changed = [name for name in LABELS if name in list_changed(before, after)] if before else list(LABELS)
    return [Change(LABELS[name], in_words(before, name) if before else "", in_words(after, name)) for name in changed]
