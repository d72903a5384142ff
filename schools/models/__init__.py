"""The schools that send the families: districts, programmes, directors, nights, cleaning days, the van's errands and runs."""

from schools.models.allotments import Allotment, AllotmentFigure, AllotmentLine
from schools.models.cleaning_days import CleaningDay, CleaningVisit
from schools.models.directors import Contact, Director, DirectorProgramme, RosterConsent
from schools.models.districts import District, SchoolDay
from schools.models.errands import Errand
from schools.models.line import NightTablet, WaitingNumber
from schools.models.nights import Night, NightProgramme, NightStaff, NightUnit
from schools.models.programmes import ApprovedItem, KindExpected, UsualSize
from schools.models.runs import HomeErrand, Load, Run, Spot, Stop
from schools.models.schools import Programme, RequiredItem, School

__all__ = [
    "Allotment",
    "AllotmentFigure",
    "AllotmentLine",
    "ApprovedItem",
    "CleaningDay",
    "CleaningVisit",
    "Contact",
    "Director",
    "DirectorProgramme",
    "District",
    "Errand",
    "HomeErrand",
    "KindExpected",
    "Load",
    "Night",
    "NightProgramme",
    "NightStaff",
    "NightTablet",
    "NightUnit",
    "Programme",
    "RequiredItem",
    "RosterConsent",
    "Run",
    "School",
    "SchoolDay",
    "Spot",
    "Stop",
    "UsualSize",
    "WaitingNumber",
]
