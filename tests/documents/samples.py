"""Pages with invented families, for every kind of document."""

import datetime
import hashlib
from decimal import Decimal

from rentals.documents import pages
from rentals.inventory.labelling import codes

FAMILY = pages.Addressee(
    name="Maren Oldacre",
    lines=("418 Larkspur Street APT 2", "Fenwick IL  60655"),
    household_number="H-00042",
)
TERMS = "\n\n".join(
    f"{number}. The family keeps the instrument in its case when it is not played, and brings it back in the condition in which "
    "it was handed out, fair wear from playing left aside. Rent is due on the day of the month on which the rental began."
    for number in range(1, 15)
)


def agreement(**changes) -> pages.AgreementPage:
    fields = {
        "number": "A-000017",
        "signed_at": datetime.datetime(2026, 9, 3, 22, 41, tzinfo=datetime.UTC),
        "starts_on": datetime.date(2026, 9, 3),
        "guardian": FAMILY,
        "guardian_phone": "+13125550142",
        "guardian_email": "maren@example.com",
        "student": "Ivo Oldacre",
        "school": "Fenwick Middle School",
        "programme": "Band",
        "instrument": "Clarinet, Alder & Voss 220",
        "asset_tag": "CL-0117",
        "serial_number": "88231",
        "condition": "Good",
        "received_at": "At the school",
        "plan": "School year rental",
        "monthly": (
            pages.PriceLine("Rent", Decimal("24.50")),
            pages.PriceLine("Protection", Decimal("6.00")),
            pages.PriceLine("Sales tax", Decimal("2.52")),
        ),
        "monthly_total": Decimal("33.02"),
        "due_today": (pages.PriceLine("First month", Decimal("33.02")), pages.PriceLine("Reeds, 10", Decimal("21.99"))),
        "due_today_total": Decimal("55.01"),
        "purchase_price": Decimal("1180.00"),
        "replacement_value": Decimal("1250.50"),
        "months_until_owned": 49,
        "total_to_own": Decimal("1617.98"),
        "kit": (pages.KitLine("Reeds, strength 2, box of ten", 1, Decimal("21.99")),),
        "disclosures": ("You do not own this instrument until all payments are made or it is bought.",),
        "terms": TERMS,
        "terms_sha256": hashlib.sha256(TERMS.encode()).hexdigest(),
        "signer": "Maren Oldacre",
        "signature_method": "drawn",
        "signature_path": "M 10 60 L 40 20 L 60 80 L 95 30 M 120 70 L 180 40 L 240 66",
        "consent": "I agree to sign and to receive this agreement electronically.",
        "consent_version": "2026-1",
        "taken_by": "Piet Sandoval",
    }
    return pages.AgreementPage(**{**fields, **changes})


def addendum(**changes) -> pages.AddendumPage:
    fields = {
        "title": "Protection added",
        "number": "A-000017",
        "addressee": FAMILY,
        "made_at": datetime.datetime(2026, 11, 24, 18, 5, tzinfo=datetime.UTC),
        "student": "Ivo Oldacre",
        "instrument": "Clarinet, Alder & Voss 220",
        "paragraphs": ("From December 3, 2026 the agreement is with protection.", "All else stays as it was signed."),
        "before": (pages.PriceLine("Rent", Decimal("24.50")),),
        "after": (pages.PriceLine("Rent", Decimal("24.50")), pages.PriceLine("Protection", Decimal("6.00"))),
        "signer": "Maren Oldacre",
        "taken_by": "Piet Sandoval",
    }
    return pages.AddendumPage(**{**fields, **changes})


def recall(**changes) -> pages.AddendumPage:
    fields = {
        "title": "Please bring the instrument back",
        "paragraphs": ("$66.04 is past due. Please bring the clarinet back by December 8, 2026.",),
        "before": (),
        "after": (),
        "signer": "",
    }
    return addendum(**{**fields, **changes})


def receipt(**changes) -> pages.ReceiptPage:
    fields = {
        "number": "P-000101",
        "addressee": FAMILY,
        "received_on": datetime.date(2026, 10, 5),
        "method": "Check 1042",
        "amount": Decimal("60.00"),
        "paid_for": (pages.PriceLine("Rent, clarinet, Oct 3 to Nov 2", Decimal("33.02")),),
        "kept_on_account": Decimal("26.98"),
        "balance": Decimal("0.00"),
        "taken_by": "Piet Sandoval",
    }
    return pages.ReceiptPage(**{**fields, **changes})


def run_manifest(**changes) -> pages.ManifestPage:
    line = pages.ManifestLine("CL-1042", "Clarinet", "Fetch for repair", "SQ", "A key sticks")
    other = pages.ManifestLine("VN-0007", "Violin", "Hand over", "", "")
    fields = {
        "on": datetime.date(2026, 12, 1),
        "driver": "Theo Lindqvist",
        "shop": "Main Street shop",
        "notes": "Side door at the school",
        "miles": "12.4",
        "stops": (
            pages.ManifestStop(
                "Maplewood School", "1 School Street, Springdale, IL 62704", "Ask at the office", "", (line, other)
            ),
            pages.ManifestStop("H-90012 QS", "7 Orchard Lane, Springdale, IL 62704", "", "Side porch", (other,)),
        ),
    }
    return pages.ManifestPage(**{**fields, **changes})


def delivery_slip(**changes) -> pages.DeliverySlipPage:
    line = pages.SlipLine("CL-1042", "Clarinet", "Hand over", "SQ", ("1 Reeds, strength 2", "1 Cork grease"))
    fields = {
        "on": datetime.date(2026, 12, 1),
        "name": "H-90012 SQ",
        "address": "7 Orchard Lane, Springdale, IL 62704",
        "lines": (line, pages.SlipLine("VN-0007", "Violin", "Fetch for repair", "", ())),
    }
    return pages.DeliverySlipPage(**{**fields, **changes})


def deposit_slip(**changes) -> pages.DepositSlipPage:
    fields = {
        "number": "D-000031",
        "deposited_on": datetime.date(2026, 10, 9),
        "account": "Checking",
        "last_four": "6789",
        "cash": Decimal("184.35"),
        "cheques": (
            pages.SlipCheque("1042", "Oldacre", Decimal("60.00")),
            pages.SlipCheque("2210", "Sandoval-Whitcombe", Decimal("33.02")),
        ),
        "cheque_total": Decimal("93.02"),
        "total": Decimal("277.37"),
        "made_by": "Bea Halloran",
    }
    return pages.DepositSlipPage(**{**fields, **changes})


def words(heading: str, opening: str) -> dict[str, object]:
    return {"heading": heading, "opening": ("Dear Maren Oldacre,", opening), "closing": ("You reach us by telephone.",)}


def overdue(**changes) -> pages.OverduePage:
    fields = {
        "step": 1,
        "addressee": FAMILY,
        "dated_on": datetime.date(2026, 11, 24),
        "answer_by": datetime.date(2026, 12, 4),
        "items": (
            pages.OverdueItem(datetime.date(2026, 10, 3), "Rent, clarinet CL-0117", Decimal("33.02")),
            pages.OverdueItem(datetime.date(2026, 11, 3), "Rent, clarinet CL-0117", Decimal("33.02")),
        ),
        "total": Decimal("66.04"),
        **words("A payment may have slipped by", "Our books still show the amounts below as unpaid."),
    }
    return pages.OverduePage(**{**fields, **changes})


def returned_payment(**changes) -> pages.ReturnedPaymentPage:
    fields = {
        "addressee": FAMILY,
        "dated_on": datetime.date(2026, 10, 12),
        "number": "P-000101",
        "is_check": True,
        "cheque_number": "1042",
        "amount": Decimal("60.00"),
        "received_on": datetime.date(2026, 10, 5),
        "reason": "Not sufficient funds",
        "items": (
            pages.OverdueItem(datetime.date(2026, 10, 3), "Rent, A-000017, Oct 3, 2026 to Nov 2, 2026", Decimal("33.02")),
            pages.OverdueItem(datetime.date(2026, 10, 4), "Goods, A-000017", Decimal("26.98")),
        ),
        "balance": Decimal("60.00"),
        **words("Your check came back", "Your bank sent back your check 1182 of $33.02."),
    }
    return pages.ReturnedPaymentPage(**{**fields, **changes})


def statement(**changes) -> pages.StatementPage:
    rent, day = Decimal("33.02"), datetime.date(2026, 11, 3)
    bill = (pages.PriceLine("Rent", Decimal("24.50")), pages.PriceLine("Sales tax on rent", Decimal("2.52")))
    fields = {
        "addressee": FAMILY,
        "dated_on": datetime.date(2026, 11, 24),
        "begins_on": datetime.date(2026, 10, 1),
        "through_on": datetime.date(2026, 11, 24),
        "opening": Decimal("-10.00"),
        "rows": (
            pages.StatementRow(day, "Rent, A-000017, Nov 3, 2026 to Dec 2, 2026", bill, rent, None, Decimal("23.02")),
            pages.StatementRow(
                datetime.date(2026, 11, 5), "Payment P-000101, check 1042", (), None, Decimal("3.02"), Decimal(20)
            ),
        ),
        "closing": Decimal("20.00"),
        "open_items": (pages.StatementItem(day, "Rent, A-000017, Nov 3, 2026 to Dec 2, 2026", Decimal("20.00")),),
        "credits": (pages.StatementCredit("A-000017", "Clarinet", Decimal("294.00"), Decimal("1180.00")),),
        "next_due": (pages.StatementItem(datetime.date(2026, 12, 3), "Clarinet, A-000017", rent),),
    }
    return pages.StatementPage(**{**fields, **changes})


def cleaning(**changes) -> pages.CleaningPage:
    fields = {
        "addressee": FAMILY,
        "dated_on": datetime.date(2026, 11, 24),
        "items": (pages.CleaningItem("Clarinet", "CL-0117", None, datetime.date(2026, 12, 8)),),
        **words("Time for the annual cleaning", "It is time for:"),
    }
    return pages.CleaningPage(**{**fields, **changes})


def report(**changes) -> pages.ReportPage:
    fields = {
        "heading": "Receivables, rolled forward",
        "month": "October 2026",
        "through_on": datetime.date(2026, 10, 31),
        "columns": (pages.ReportColumn("Month", False), pages.ReportColumn("Opening", True), pages.ReportColumn("Closing", True)),
        "lines": (
            *(pages.ReportLine((f"Month {n}", f"${n}.00", f"${n + 1}.00")) for n in range(12)),
            pages.ReportLine(("All months", "", "$66.00"), is_total=True),
        ),
        "ties": ("Closing beside account 1200: $12.00 and $12.00, the same.",),
        "notes": ("Columns add up from left to right.",),
        "caution_about": "tax",
        "caution": "The state decides.",
        **changes,
    }
    return pages.ReportPage(**fields)


def closing(**changes) -> pages.ClosingPage:
    fields = {
        "month": "October 2026",
        "through_on": datetime.date(2026, 10, 31),
        "number": 2,
        "closed_at": datetime.datetime(2026, 11, 3, 17, 5, tzinfo=datetime.UTC),
        "closed_by": "Bea Holloway",
        "checks": (
            pages.ClosingCheckLine("The month is over", "holds", ""),
            pages.ClosingCheckLine("Late fees were looked at", "waived", "2 fees of $10.00", "Floods in town (Bea Holloway)"),
        ),
        "reports": (report(), report(heading="Income by kind", caution="")),
        **changes,
    }
    return pages.ClosingPage(**fields)


def autopay(**changes) -> pages.AutopayPage:
    fields = {
        "heading": "What we will debit from your account",
        "dated_on": datetime.date(2026, 11, 10),
        "addressee": FAMILY,
        "facts": (pages.FactLine("Account", "Checking account ending in 4321"),),
        "amounts": (pages.PriceLine("Rent due November 22, 2026, A-000017", Decimal("33.02")),),
        "total": Decimal("33.02"),
        "sentences": ("On November 23, 2026 we debit at most $33.02 from your checking account ending in 4321.",),
        "signer": "Maren Oldacre",
    }
    return pages.AutopayPage(**(fields | changes))


def move(**changes) -> pages.MovePage:
    fields = {
        "heading": "Price to buy",
        "dated_on": datetime.date(2026, 11, 24),
        "number": "A-000017",
        "addressee": FAMILY,
        "facts": (
            pages.FactLine("Instrument", "Clarinet: Alder & Voss 220"),
            pages.FactLine("This price holds until", "December 4, 2026"),
        ),
        "amounts": (
            pages.PriceLine("Purchase price", Decimal("1180.00")),
            pages.PriceLine("Rental credit", Decimal("-294.00")),
            pages.PriceLine("Sales tax", Decimal("73.10")),
        ),
        "total_label": "To pay",
        "total": Decimal("959.10"),
        "sentences": ("The price holds through the day named above.",),
        "taken_by": "Piet Sandoval",
    }
    return pages.MovePage(**{**fields, **changes})


def night_closing(**changes) -> pages.NightClosingPage:
    fields = {
        "school": "Maplewood School",
        "on": datetime.date(2026, 11, 30),
        "closed_at": datetime.datetime(2026, 12, 1, 3, 5, tzinfo=datetime.UTC),
        "closed_by": "Rosa Delgado",
        "lines": (
            pages.NightLine("Tablets", "Agrees", (("Tablets seen", "4"), ("Not sent yet", "0"))),
            pages.NightLine(
                "Instruments", "Differs", (("Loaded", "62"), ("Missing", "1")), "1 instrument marked missing: search for it."
            ),
        ),
        "note": "The missing flute stood behind the stage at eight.",
    }
    return pages.NightClosingPage(**{**fields, **changes})


def estimate(**changes) -> pages.EstimatePage:
    fields = {
        "addressee": FAMILY,
        "dated_on": datetime.date(2026, 11, 24),
        "order_number": "W-000219",
        "instrument": "Clarinet, Alder & Voss 220",
        "asset_tag": "CL-0117",
        "student": "Ivo Oldacre",
        "covers": "The crack in the upper joint is closed, and the two pads beside it are new.",
        "lines": (pages.PriceLine("Close the crack", Decimal("84.00")), pages.PriceLine("Pads, 2", Decimal("11.50"))),
        "total": Decimal("95.50"),
        "valid_until": datetime.date(2026, 12, 15),
        **words("Estimate of a repair", "We have looked at the instrument below."),
    }
    return pages.EstimatePage(**{**fields, **changes})


def work_order(**changes) -> pages.WorkOrderPage:
    squares = codes.qr_code("CL-0117")
    fields = {
        "number": "W-000219",
        "asset_tag": "CL-0117",
        "squares": codes.squares_path(squares),
        "squares_width": len(squares) + 2 * codes.QUIET_SQUARES,
        "printed_at": datetime.datetime(2026, 11, 24, 18, 5, tzinfo=datetime.UTC),
        "state": "On the bench",
        "problem": "The upper joint is cracked, and low E does not speak.",
        "facts": (
            pages.FactLine("Instrument", "Clarinet, Alder & Voss 220"),
            pages.FactLine("Serial number", "88231"),
            pages.FactLine("Who pays", "The family"),
            pages.FactLine("Promised for", "Dec 1, 2026"),
        ),
        "came": (pages.FactLine("Case", "Worn"), pages.FactLine("Mouthpiece", "Came along")),
        "lines": (pages.WorkLineRow("Close the crack", "35 min", "Theo Lindqvist"),),
        "points": ("It holds air: no leak in either hand", "Every key moves freely and comes back"),
    }
    return pages.WorkOrderPage(**{**fields, **changes})


def packing_list(**changes) -> pages.PackingPage:
    fields = {
        "school": "Maplewood School",
        "place": "Cafeteria, 1 School Street, Springdale",
        "on": datetime.date(2026, 11, 30),
        "hours": "5:30 PM to 8:00 PM",
        "shop": "Main Street shop",
        "printed_at": datetime.datetime(2026, 11, 24, 18, 5, tzinfo=datetime.UTC),
        "promises": (pages.PackingPromise("Violin 3/4 VN-0007", "SQ", "Maplewood School"),),
        "shelves": (
            pages.PackingShelf(
                "Clarinet", 3, 1, (pages.PackingUnit("CL-0117", "Alder & Voss 220"), pages.PackingUnit("CL-1042", "Brenta B2"))
            ),
            pages.PackingShelf("Violin 3/4", 1, 1, ()),
        ),
        "kit": (pages.PackingProduct("Reeds, strength 2, box of ten", 12),),
        "along": 4,
    }
    return pages.PackingPage(**{**fields, **changes})


def roster(**changes) -> pages.RosterPage:
    fields = {
        "heading": "Roster of Maplewood School",
        "dated_on": datetime.date(2026, 11, 24),
        "parts": (
            pages.RosterPart(
                "Band",
                datetime.date(2026, 12, 1),
                (
                    pages.RosterRow("Oldacre, Ivo", "5", "Clarinet", "CL-0117", "With the student", ""),
                    pages.RosterRow("Quillen, Sue", "Kindergarten", "", "", "", ""),
                ),
            ),
            pages.RosterPart("Orchestra", None, ()),
        ),
        "caution": "Keep this list where only the program's teachers see it.",
    }
    return pages.RosterPage(**{**fields, **changes})


EVERY_KIND = {
    "agreement": agreement,
    "addendum": addendum,
    "recall": recall,
    "receipt": receipt,
    "deposit_slip": deposit_slip,
    "delivery_slip": delivery_slip,
    "run_manifest": run_manifest,
    "overdue": overdue,
    "returned_payment": returned_payment,
    "statement": statement,
    "cleaning": cleaning,
    "payoff_quote": move,
    "bill_of_sale": move,
    "return_receipt": move,
    "autopay": autopay,
    "autopay_notice": autopay,
    "autopay_return": autopay,
    "loss_report": move,
    "estimate": estimate,
    "work_order": work_order,
    "packing_list": packing_list,
    "roster": roster,
    "night_closing": night_closing,
    "report": report,
    "closing": closing,
}
LETTERHEAD = pages.Letterhead(
    name="Larkfield Rentals",
    street="12 Mill Lane",
    city="Fenwick",
    state="IL",
    postal_code="60655",
    phone="+13125550101",
    email="office@larkfield.example",
)
