"""The schools that send the families: their programmes, what the van fetches and brings there, and their cleaning days."""

from schools.models.cleaning_days import CleaningDay, CleaningVisit
from schools.models.errands import Errand
from schools.models.schools import Programme, RequiredItem, School

__all__ = ["CleaningDay", "CleaningVisit", "Errand", "Programme", "RequiredItem", "School"]
