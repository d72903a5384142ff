"""What the programme owns: kinds, catalogue items, every instrument, where it is and was, and the work done on it."""

from rentals.inventory.models.catalogue import CatalogueItem, InstrumentKind, Location, Product
from rentals.inventory.models.counts import CountScan, CountSettlement, Difference, StockCount
from rentals.inventory.models.deliveries import Delivery, TagSeries
from rentals.inventory.models.holds import Hold
from rentals.inventory.models.imports import FleetImport, ImportDraft
from rentals.inventory.models.instruments import Custody, Instrument
from rentals.inventory.models.kinds import KindPart, KindService
from rentals.inventory.models.labels import LabelLayout, LabelPrint, LabelPrinter, PrintedLabel
from rentals.inventory.models.moves import MoveBatch, MoveScan
from rentals.inventory.models.photos import Photo
from rentals.inventory.models.spans import TsTzRange, span
from rentals.inventory.models.work import IntakeNote, QualityCheck, WorkEvent, WorkOrder
from rentals.inventory.models.work_money import BenchRate, BenchSetting, Estimate, EstimateLine, RepairPart, WorkLine

__all__ = [
    "BenchRate",
    "BenchSetting",
    "CatalogueItem",
    "CountScan",
    "CountSettlement",
    "Custody",
    "Delivery",
    "Difference",
    "Estimate",
    "EstimateLine",
    "FleetImport",
    "Hold",
    "ImportDraft",
    "Instrument",
    "InstrumentKind",
    "IntakeNote",
    "KindPart",
    "KindService",
    "LabelLayout",
    "LabelPrint",
    "LabelPrinter",
    "Location",
    "MoveBatch",
    "MoveScan",
    "Photo",
    "PrintedLabel",
    "Product",
    "QualityCheck",
    "RepairPart",
    "StockCount",
    "TagSeries",
    "TsTzRange",
    "WorkEvent",
    "WorkLine",
    "WorkOrder",
    "span",
]
