"""What stands on each document: one frozen dataclass per kind. Rendering reads these and nothing else.

A field added later needs a default, so that documents asked for earlier can still be made.
"""

from rentals.documents.pages.agreements import AddendumPage, AgreementPage, MovePage
from rentals.documents.pages.books import ClosingCheckLine, ClosingPage, ReportColumn, ReportLine, ReportPage
from rentals.documents.pages.money import (
    AutopayPage,
    DepositSlipPage,
    OverdueItem,
    OverduePage,
    ReceiptPage,
    SlipCheque,
    StatementCredit,
    StatementItem,
    StatementPage,
    StatementRow,
)
from rentals.documents.pages.parts import Addressee, FactLine, KitLine, Letterhead, PriceLine
from rentals.documents.pages.shop import (
    BatchPage,
    CleaningItem,
    CleaningPage,
    LetterRow,
    ManifestLine,
    ManifestPage,
    ManifestStop,
    NightClosingPage,
    NightLine,
)

__all__ = [
    "AddendumPage",
    "Addressee",
    "AgreementPage",
    "AutopayPage",
    "BatchPage",
    "CleaningItem",
    "CleaningPage",
    "ClosingCheckLine",
    "ClosingPage",
    "DepositSlipPage",
    "FactLine",
    "KitLine",
    "LetterRow",
    "Letterhead",
    "ManifestLine",
    "ManifestPage",
    "ManifestStop",
    "MovePage",
    "NightClosingPage",
    "NightLine",
    "OverdueItem",
    "OverduePage",
    "PriceLine",
    "ReceiptPage",
    "ReportColumn",
    "ReportLine",
    "ReportPage",
    "SlipCheque",
    "StatementCredit",
    "StatementItem",
    "StatementPage",
    "StatementRow",
]
