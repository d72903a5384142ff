"""The demo's past sign-up night as it was lived: two tablets, ten families, one instrument given out twice, closed green.

Everything goes the way of a real evening: forms from home, numbers in line, envelopes made from the pack, takings counted down.
"""

import datetime
import uuid
from typing import Any

from django.utils import timezone

from billing.models import Taking
from billing.taking import operations as taking
from billing.taking import queries as takings
from billing.taking.rules import DENOMINATIONS
from rentals.agreements import operations as agreements
from rentals.agreements.models import UnitPromise
from rentals.counter.nights.board.bench_tablet import Signer, make_envelope
from rentals.counter.nights.board.closing import close_night
from rentals.counter.nights.intake.envelope import read_envelope
from rentals.counter.nights.intake.operations import take_in
from rentals.counter.nights.intake.pack import make_pack
from rentals.counter.nights.intake.takers import make_slip
from rentals.inventory.models import Instrument
from rentals.inventory.queries import find_available
from rentals.portal import operations as portal
from rentals.portal import rules as pages
from schools import line, nights_packing
from schools.models import Night

FAMILIES = [
    Signer("Amara", "Okonjo", "Zuri", "18 Quarry Rd", 5),
    Signer("Piotr", "Zielak", "Hania", "204 Larch St", 5),
    Signer("Lucia", "Barros", "Nico", "9 Tannery Ln", 6),
    Signer("Greta", "Holm", "Alma", "77 Weir St", 5, cheque="2041"),
    Signer("Tomas", "Rybar", "Eda", "31 Orchard Way", 5),
    Signer("Noor", "Haddad", "Sami", "5 Canal Ct", 6, cheque="118"),
    Signer("Elin", "Strand", "Liv", "62 Mill Rd", 5),
    Signer("Dario", "Fonti", "Gaia", "14 Ferry St", 5),
    Signer("Wren", "Abbott", "Toby", "40 Larch St", 6, cheque="907"),
    Signer("Ines", "Vidal", "Marc", "3 Depot Ln", 5),
]
FROM_HOME = 3
"""So many of them filled the form in at home."""
TWICE = 6
"""The family, counted from 0, whose instrument the other tablet had given out."""
LATER = datetime.timedelta(days=4)
DEVICES = [uuid.UUID(int=0x4A17 << 112 | 1), uuid.UUID(int=0xC0DE << 112 | 2)]


def at(night: Night, hour: int, minute: int = 0, *, days: int = 0) -> datetime.datetime:
    """A moment of the evening, or of a later day."""
    day = night.on + datetime.timedelta(days=days)
    return timezone.make_aware(datetime.datetime.combine(day, datetime.time(hour, minute)))


def live_through(night: Night) -> None:
    """Let the evening happen; its van is loaded. Outside any transaction, as tablets send."""
    rosa, sam = (row.user for row in night.staff.select_related("user").order_by("pk")[:2])
    forms = _fill_in_at_home(night)
    pack = make_pack(night, made_at=at(night, 15))
    units = _choose(pack, night)
    for n, unit in enumerate(units):
        who = (rosa, sam)[n % 2]
        now = at(night, 17, 35) + datetime.timedelta(minutes=11 * n)
        signer = FAMILIES[n]
        told = forms.get(n, "")
        row = line.take_a_number(
            night=night, note=told or signer.initials, request_key=uuid.uuid5(DEVICES[0], f"{night.pk}/{n}"),
            from_home=bool(told), acting_user=rosa, now=now - datetime.timedelta(minutes=6),
        )  # fmt: skip
        line.call_next(night=night, acting_user=who, device=DEVICES[n % 2], now=now)
        signed_at = now + datetime.timedelta(minutes=9)
        sent = make_envelope(
            pack, number=700 + n, device=DEVICES[n % 2], unit=unit, made_at=signed_at, signer=signer, town=_town(night)
        )
        sent |= {
            "taken_by": make_slip(night=night, person=who),
            "waiting": row.number,
            "home_form": told,
            "was_offline": n in {5, TWICE},
        }
        take_in(envelope=read_envelope(sent), night=night, acting_user=who, now=signed_at, today=night.on)
    for device, who in zip(DEVICES, (rosa, sam), strict=True):
        figures = {"waiting": 0, "attention": 0, "oldest_minutes": 0}
        line.report(night=night, device=device, **figures, acting_user=who, now=at(night, 20, 5))
    _bring_the_van_home(night, who=sam)
    _count_down(night)
    _keep_promises(night, who=rosa)
    close_night(night=night, note="", acting_user=rosa, now=at(night, 9, 30, days=LATER.days))


def _fill_in_at_home(night: Night) -> dict[int, str]:
    """Let the first few fill in the form at home; return their codes by family."""
    programme, lead = night.programmes.order_by("kind")[0], night.staff.earliest("pk").user
    before = night.on - datetime.timedelta(days=3)
    door = portal.open_door(night=night, acting_user=lead, today=before)
    town = _town(night)
    codes: dict[int, str] = {}
    for n, signer in enumerate(FAMILIES[:FROM_HOME]):
        now = at(night, 19, n, days=-3)
        form = portal.begin_form(door=door, browser=uuid.uuid4(), language="en", now=now)
        answers: dict[str, Any] = {
            "who": {"given_name": signer.given_name, "family_name": signer.family_name},
            "reach": {"phone": signer.phone(700 + n), "email": ""},
            "street": {"street": signer.street, "unit": ""},
            "town": town,
            "student": {
                "given_name": signer.child,
                "family_name": signer.family_name,
                "grade": signer.grade,
                "programme": programme,
            },
            "instrument": {"kind": None},
            "protection": {"protection": "yes"},
        }
        for page in pages.PAGES:
            if page in answers:
                form = portal.save_page(form=form, page=page, answers=answers[page], now=now)
        form = portal.finish_form(form=form, pages=pages.pages_of(has_sizes=False, programmes=1), now=now)
        codes[n] = form.code
    return codes


def _town(night: Night) -> dict[str, str]:
    return {"city": night.school.city, "state": night.school.state, "postal_code": night.school.postal_code}


def _choose(pack: dict[str, Any], night: Night) -> list[dict[str, Any]]:
    """Choose an instrument of the van for each family; one is given out twice, if the shop has another of its model."""
    units = [unit for unit in pack["units"] if any(_is_price(row, unit) for row in pack["prices"])][: len(FAMILIES)]
    found = Instrument.objects.select_related("item").in_bulk([unit["id"] for unit in pack["units"]])
    twin = next((unit for unit in pack["units"] if _another(found[unit["id"]], night) is not None), None)
    if twin is not None and len(units) > TWICE:
        others = [unit for unit in units if unit is not twin]
        units = [twin, *others[: TWICE - 1], twin, *others[TWICE - 1 :]][: len(FAMILIES)]
    return units


def _is_price(row: dict[str, Any], unit: dict[str, Any]) -> bool:
    return bool((row["item"], row["is_new"]) == (unit["item"], unit["is_new"]))


def _another(unit: Instrument, night: Night) -> Instrument | None:
    """Return another of the same model and condition that was on a shelf of the shop before the evening."""
    found = find_available(unit.item.kind_id, unit.item.size).filter(item=unit.item)
    rows: list[Any] = [each for each in found if (each.grade == "new") == (unit.grade == "new")]
    return next((each for each in rows if each.here.began_at < at(night, 17)), None)


def _bring_the_van_home(night: Night, *, who: Any) -> None:
    for row in night.units.filter(ended_at=None).select_related("instrument").order_by("pk"):
        given: Any = {"night": night, "instrument": row.instrument, "location": night.location}
        nights_packing.unload(**given, acting_user=who, now=at(night, 21))


def _count_down(night: Night) -> None:
    """Let everybody count the evening's takings to the cent."""
    people = night.staff.values("user")
    for till in Taking.objects.filter(person__in=people, day=night.on, counts=None).select_related("person").order_by("pk"):
        expected, pieces = takings.get_expected(till), {}
        left = int(expected.cash * 100)
        for size in DENOMINATIONS:
            pieces[size], left = divmod(left, size)
        counted = taking.CountedDown(pieces, frozenset(each.pk for each in expected.cheques))
        taking.count_down(taking=till, counted=counted, acting_user=till.person, now=at(night, 21, 30))


def _keep_promises(night: Night, *, who: Any) -> None:
    """Some days later the families that waited get theirs from the shelf."""
    for promise in UnitPromise.objects.filter(night=night, settled_at=None).select_related("agreement", "promised__item"):
        unit = _another(promise.promised, night) if promise.promised else None
        if unit is not None:
            now = at(night, 9, days=LATER.days)
            agreements.assign_unit(agreement=promise.agreement, instrument=unit, night=night, acting_user=who, now=now)
