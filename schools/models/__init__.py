"""The schools that send the families: their programmes, sign-up nights, cleaning days, what the van does there, and its runs."""

from schools.models.allotments import Allotment, AllotmentLine
from schools.models.cleaning_days import CleaningDay, CleaningVisit
from schools.models.errands import Errand
from schools.models.nights import Night, NightProgramme, NightStaff, NightUnit
from schools.models.runs import HomeErrand, Load, Run, Spot, Stop
from schools.models.schools import Programme, RequiredItem, School

__all__ = [
    "Allotment",
    "AllotmentLine",
    "CleaningDay",
    "CleaningVisit",
    "Errand",
    "HomeErrand",
    "Load",
    "Night",
    "NightProgramme",
    "NightStaff",
    "NightUnit",
    "Programme",
    "RequiredItem",
    "Run",
    "School",
    "Spot",
    "Stop",
]
