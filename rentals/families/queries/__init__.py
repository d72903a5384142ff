"""Every read about families that screens and flows share: search, likely duplicates, lists."""

from rentals.families.queries.changes import Change, list_changes_since
from rentals.families.queries.duplicates import LikelyDuplicate, find_same_household, list_likely_duplicates
from rentals.families.queries.search import HouseholdHit, describe_households, find_household_ids, search_households

__all__ = [
    "Change",
    "HouseholdHit",
    "LikelyDuplicate",
    "describe_households",
    "find_household_ids",
    "find_same_household",
    "list_changes_since",
    "list_likely_duplicates",
    "search_households",
]
