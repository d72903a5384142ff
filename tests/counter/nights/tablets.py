"""A tablet for tests: it reads a night's pack and makes envelopes of it, as the pages on the tablet do."""

import datetime
import hashlib
import uuid
from decimal import Decimal
from typing import Any

from django.utils import timezone

from rentals.agreements import night_text, wording
from rentals.counter.nights.intake.pack import make_pack
from rentals.counter.nights.intake.takers import make_slip
from rentals.inventory import operations as fleet
from rentals.inventory.models import Custody, Instrument
from rentals.runtime.money import tax_on
from rentals.runtime.templatetags.office import money, phone
from rentals.staff.models import User
from schools.models import Night, NightUnit
from tests.agreements.factories import OfficeFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.factories import ManagerFactory, SpecialistFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory, kind
from tests.schools.factories import NightFactory, NightUnitFactory, ProgrammeFactory

DOORS = datetime.time(17, 30)
FAMILY = {"name": "Sample", "street": "1 Orchard Lane", "unit": "", "city": "Springdale", "state": "IL", "postal_code": "62704"}
ADULT = {"given_name": "Alex", "family_name": "Sample", "phone": "+13125550142", "email": "alex@example.com"}
CHILD = {"given_name": "Sky", "family_name": "Sample", "grade": 5}


def at(on: datetime.date, hour: int, minute: int = 0) -> datetime.datetime:
    """A moment of the shop's local time."""
    return timezone.make_aware(datetime.datetime.combine(on, datetime.time(hour, minute)))


def open_night(*tags: str, on: datetime.date | None = None, **fields: Any) -> Night:
    """A night of a school with a band, one specialist, and a clarinet along under each tag, at prices of the factories."""
    on = on or timezone.localdate()
    OfficeFactory()
    TaxAreaFactory()
    PlanVersionFactory()
    RateFactory(kind=kind("clarinet"))
    programme = ProgrammeFactory(school__postal_code="62704")
    location = LocationFactory()
    night = NightFactory(school=programme.school, programmes=[programme], on=on, location=location, **fields)
    night.staff.create(user=SpecialistFactory())
    item = CatalogueItemFactory(kind_code="clarinet")
    for tag in tags:
        load(night, InstrumentFactory(asset_tag=tag, item=item))
    return night


def load(night: Night, instrument: Instrument) -> NightUnit:
    """Put an instrument into the van of a night, as packing does."""
    now = timezone.now()
    fleet.move_instrument(
        instrument=instrument,
        place=Custody.Place.VAN,
        location=night.location,
        reason="Loaded",
        acting_user=ManagerFactory(),
        now=now,
    )
    return NightUnitFactory(night=night, instrument=instrument, loaded_at=now)


class Tablet:
    """One tablet with its pack, and whose sign-ups they are when somebody is signed in on it."""

    def __init__(self, night: Night, taken_by: User | None = None) -> None:
        self.night, self.device, self.sequence = night, uuid.uuid4(), 0
        self.pack = make_pack(night, made_at=timezone.now())
        self.slip = make_slip(night=night, person=taken_by) if taken_by else ""

    def unit(self, tag: str) -> dict[str, Any] | None:
        """The unit of a tag in the pack."""
        return next((each for each in self.pack["units"] if each["tag"] == tag), None)

    def envelope(self, tag: str | None = None, **changes: Any) -> dict[str, Any]:
        """A whole sign-up for a new family, paid in cash; `changes` replace parts."""
        self.sequence += 1
        unit = self.unit(tag) if tag else None
        row = next(
            each
            for each in self.pack["prices"]
            if each["item"] == (unit["item"] if unit else self.pack["items"][0]["id"])
            and each["is_new"] == (unit["is_new"] if unit else False)
        )
        made = {
            "format": 1,
            "id": str(uuid.uuid4()),
            "night": self.night.pk,
            "device": str(self.device),
            "sequence": self.sequence,
            "made_at": at(self.night.on, 18, 5).isoformat(),
            "was_offline": True,
            "pack": self.pack["version"],
            "taken_by": self.slip,
            "language": "en",
            "waiting": None,
            "home_form": None,
            "household": FAMILY,
            "guardian": ADULT,
            "student": CHILD,
            "programme": self.pack["night"]["programmes"][0]["id"],
            "item": row["item"],
            "is_new": row["is_new"],
            "instrument": unit["id"] if unit else None,
            "plan_version": row["plan_version"],
            "protection": row["without"] is None,
            "goods": [],
            "received_at": "school",
            **changes,
        }
        return self.signed(made, changes)

    def signed(self, made: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
        """Show, sign and pay, unless the changes bring these parts."""
        shown = self.show(made)
        signature = {
            "signer_name": "Alex Sample",
            "method": "typed",
            "strokes": "",
            "consent_version": self.pack["texts"]["consent"]["version"],
            "signed_at": made["made_at"],
        }
        payment = {"method": "cash", "amount": shown["due_today"], "cheque_number": ""}
        return {**made, "shown": shown, "signature": signature, "payment": payment, **changes}

    def show(self, made: dict[str, Any]) -> dict[str, Any]:
        """Work out price and text from the pack alone."""
        pack = self.pack
        row = next(
            each
            for each in pack["prices"]
            if (each["item"], each["is_new"], each["plan_version"]) == (made["item"], made["is_new"], made["plan_version"])
        )
        place = row["with"] if made["protection"] or row["without"] is None else row["without"]
        quote = pack["quotes"][place]
        lines = [(each["words"], Decimal(each["amount"])) for each in quote["due_lines"]]
        for taken in made["goods"]:
            product = next(each for each in pack["products"] if each["id"] == taken["product"])
            name = product["name"] if taken["quantity"] == 1 else f"{taken['quantity']} × {product['name']}"
            amount = Decimal(product["price"]) * taken["quantity"]
            tax = tax_on(amount, Decimal(pack["taxes"]["goods"]))
            lines += [(name, amount), *([(f"Tax on {name}", tax)] if tax else [])]
        due = sum((amount for _, amount in lines), Decimal("0.00"))
        facts, chosen = self.facts(made)
        facts |= {"due_today": money(due), "lines": "; ".join(f"{words} {money(amount)}" for words, amount in lines)}
        sections = night_text.fill(pack["texts"], quote["sections"], facts, chosen)
        return {
            "due_today": f"{due:.2f}",
            "monthly": quote["each_month"],
            "text_sha256": hashlib.sha256(wording.plain_text(sections).encode()).hexdigest(),
            "text": [{"heading": each.heading, "paragraphs": list(each.paragraphs)} for each in sections],
        }

    def facts(self, made: dict[str, Any]) -> tuple[dict[str, str], dict[str, str]]:
        """The facts of the text, as a tablet knows them."""
        pack, home, adult, child = self.pack, made["household"], made["guardian"], made["student"]
        known = next((each for each in pack["families"] if each["household"] == home.get("id")), None)
        if known:
            adult = next((each for each in known["guardians"] if each["id"] == adult.get("id")), adult)
            child = next((each for each in known["students"] if each["id"] == child.get("id")), child)
        unit = next((each for each in pack["units"] if each["id"] == made["instrument"]), None)
        programme = next((each for each in pack["night"]["programmes"] if each["id"] == made["programme"]), None)
        street = home.get("street", "") + (f", {home['unit']}" if home.get("unit") else "")
        facts = {name: home.get(name, "") for name in ("city", "state", "postal_code")}
        facts |= {
            "guardian": f"{adult['given_name']} {adult['family_name']}",
            "street": street,
            "reached": ", ".join(part for part in (phone(adult.get("phone", "")), adult.get("email", "")) if part),
            "number": known["number"] if known else "",
            "student": f"{child['given_name']} {child['family_name']}",
            "programme": programme["name"] if programme else "",
            "model": next(each["words"] for each in pack["items"] if each["id"] == made["item"]),
            "tag": unit["tag"] if unit else "",
            "serial": unit["serial"] if unit else "",
        }
        chosen = {
            "family": "known" if known else "new",
            "student_line": "in_programme" if programme else "alone",
            "unit": ("serial" if unit["serial"] else "tag") if unit else "none",
            "condition": unit["grade"] if unit else ("new" if made["is_new"] else "used"),
            "receipt": "assigned" if unit else "none",
            "due": "due",
        }
        return facts, chosen
