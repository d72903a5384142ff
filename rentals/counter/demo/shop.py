"""The shop itself: its people, places, tax, plan, rate card, catalogue, kit, schools and required lists."""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from django.contrib.auth.hashers import make_password

from rentals.agreements.models import Plan, PlanVersion, Rate, TaxArea, TaxAreaPostalCode, TaxRate
from rentals.counter.demo import words
from rentals.inventory.models import CatalogueItem, InstrumentKind, Location, Product
from rentals.runtime.money import money
from rentals.staff.models import Office, Role, User
from schools.models import Director, District, Programme, RequiredItem, School

PASSWORD = "practice room seven"  # noqa: S105 - the demonstration's own, printed on its terminal
PEOPLE = [
    ("rosa@office.example", "Rosa Delgado", Role.SPECIALIST),
    ("sam@office.example", "Sam Whitlock", Role.SPECIALIST),
    ("bea@office.example", "Bea Lindqvist", Role.BOOKKEEPER),
    ("theo@office.example", "Theo Okafor", Role.TECHNICIAN),
    ("mina@office.example", "Mina Farah", Role.MANAGER),
    ("ada@office.example", "Ada Pike", Role.ADMINISTRATOR),
]

TERMS = """The instrument stays the shop's property until it has been bought. You rent it month by month and may bring it back on
any day; no further rent falls due after that. Rent that has been paid counts toward the price of the instrument in
hand, and in part toward a better one. Tax, protection and kit do not count. If the instrument is lost, stolen or
damaged beyond ordinary wear and there is no protection, you pay what the repair costs or what the instrument is
worth. With protection, repairs from ordinary accidents are included, and of a loss or theft you pay the deductible.
If rent is late we remind you; if it stays unpaid we may ask for the instrument back. You may have the agreement
reinstated by paying what is overdue. State law decides over anything this text says otherwise.""".replace("\n", " ")
COVERS = "Repairs from ordinary accidents, and loss, theft and destruction above the deductible. Not deliberate damage."

# kind, tier, sizes, model, monthly rent, protection, purchase price, replacement value, share of the fleet in thousandths
CATALOGUE = [
    ("flute", "beginner", [""], "F10", "24.00", "4.00", "620.00", "540.00", 105),
    ("flute", "advanced", [""], "F30", "38.00", "6.00", "1240.00", "1090.00", 15),
    ("clarinet", "beginner", [""], "C20", "24.00", "4.00", "640.00", "560.00", 130),
    ("clarinet", "advanced", [""], "C50", "42.00", "6.00", "1480.00", "1290.00", 15),
    ("alto-saxophone", "beginner", [""], "A15", "39.00", "6.50", "1290.00", "1130.00", 105),
    ("tenor-saxophone", "beginner", [""], "T15", "52.00", "7.50", "1820.00", "1590.00", 25),
    ("trumpet", "beginner", [""], "K3", "25.00", "4.00", "690.00", "600.00", 130),
    ("trombone", "beginner", [""], "P4", "26.00", "4.00", "720.00", "630.00", 80),
    ("horn", "beginner", [""], "H2", "58.00", "8.00", "2150.00", "1880.00", 25),
    ("euphonium", "beginner", [""], "E1", "61.00", "8.50", "2290.00", "1990.00", 20),
    ("violin", "beginner", ["1/4", "1/2", "3/4", "4/4"], "Stanza", "19.00", "3.50", "460.00", "390.00", 230),
    ("viola", "beginner", ["13 in", "14 in", "15 in"], "Stanza", "22.00", "3.50", "540.00", "460.00", 60),
    ("cello", "beginner", ["1/2", "3/4", "4/4"], "Ballad", "41.00", "6.00", "1380.00", "1190.00", 60),
]

PRODUCTS = [
    ("reeds-clarinet", "Clarinet reeds, strength 2, box of 5", "14.50"),
    ("reeds-alto", "Alto saxophone reeds, strength 2, box of 5", "18.00"),
    ("reeds-tenor", "Tenor saxophone reeds, strength 2, box of 5", "21.00"),
    ("cork-grease", "Cork grease", "2.75"),
    ("swab-clarinet", "Clarinet swab", "8.50"),
    ("swab-sax", "Saxophone swab", "9.50"),
    ("rod-flute", "Flute cleaning rod and cloth", "7.25"),
    ("valve-oil", "Valve oil", "5.50"),
    ("slide-grease", "Slide grease", "4.75"),
    ("brush-mouthpiece", "Mouthpiece brush", "3.95"),
    ("slide-cream", "Trombone slide cream", "7.75"),
    ("neck-strap", "Neck strap", "12.00"),
    ("rosin", "Rosin", "6.50"),
    ("cloth", "Polishing cloth", "4.25"),
    ("shoulder-rest", "Shoulder rest", "22.00"),
    ("rock-stop", "Endpin rest", "11.50"),
    ("stand", "Folding music stand", "19.50"),
    ("book-band-1", "Band method, book 1", "10.95"),
    ("book-strings-1", "String method, book 1", "10.95"),
]

# What programmes ask for, by kind (after school handbooks: reeds, grease, swab, oil; rosin, cloth, rest; stand, method book).
KIT = {
    "flute": [("rod-flute", 1), ("stand", 1), ("book-band-1", 1)],
    "clarinet": [("reeds-clarinet", 1), ("cork-grease", 1), ("swab-clarinet", 1), ("stand", 1), ("book-band-1", 1)],
    "alto-saxophone": [
        ("reeds-alto", 1),
        ("neck-strap", 1),
        ("swab-sax", 1),
        ("cork-grease", 1),
        ("stand", 1),
        ("book-band-1", 1),
    ],
    "tenor-saxophone": [("reeds-tenor", 1), ("neck-strap", 1), ("swab-sax", 1), ("cork-grease", 1), ("stand", 1)],
    "trumpet": [("valve-oil", 1), ("slide-grease", 1), ("brush-mouthpiece", 1), ("stand", 1), ("book-band-1", 1)],
    "trombone": [("slide-cream", 1), ("brush-mouthpiece", 1), ("stand", 1), ("book-band-1", 1)],
    "horn": [("valve-oil", 1), ("slide-grease", 1), ("brush-mouthpiece", 1), ("stand", 1)],
    "euphonium": [("valve-oil", 1), ("slide-grease", 1), ("brush-mouthpiece", 1), ("stand", 1)],
    "violin": [("rosin", 1), ("shoulder-rest", 1), ("cloth", 1), ("stand", 1), ("book-strings-1", 1)],
    "viola": [("rosin", 1), ("shoulder-rest", 1), ("cloth", 1), ("stand", 1), ("book-strings-1", 1)],
    "cello": [("rosin", 1), ("rock-stop", 1), ("cloth", 1), ("stand", 1), ("book-strings-1", 1)],
}
ORCHESTRA = {"violin", "viola", "cello"}


@dataclass(frozen=True)
class Shop:
    """What the rest of the scenario needs of the shop."""

    office: Office
    people: dict[str, User]
    locations: list[Location]
    plan_version: PlanVersion
    starter_version: PlanVersion
    items: list[tuple[CatalogueItem, int]]
    rates: dict[tuple[str, str], Rate]
    programmes: list[Programme]
    kit: dict[str, list[tuple[Product, int]]]
    specialists: list[User]


def open_shop(*, opened_on: datetime.date, now: datetime.datetime) -> Shop:
    """Make the office, its people and everything that stands on a list."""
    office = Office.objects.create(
        name="Tamarack Strings & Winds",
        street="14 Foundry St",
        city="Tamarack Falls",
        state=words.STATE,
        postal_code="55201",
        phone="+16125550100",
        email="office@tamarack.example",
    )
    people = _people()
    locations = [
        Location.objects.create(code=code, name=name, street=street, city=city, state=words.STATE, postal_code=postal)
        for code, name, street, city, postal in [
            ("foundry", "Foundry Street store", "14 Foundry St", "Tamarack Falls", "55201"),
            ("harrow", "Cold Harrow workshop", "3 Kiln Rd", "Cold Harrow", "55208"),
        ]
    ]
    _tax(opened_on)
    products = {sku: Product.objects.create(sku=sku, name=name, price=money(price)) for sku, name, price in PRODUCTS}
    kinds = {kind.code: kind for kind in InstrumentKind.objects.all()}
    items, rates = _catalogue(kinds, opened_on)
    kit = {kinds[name].code: [(products[sku], quantity) for sku, quantity in lines] for name, lines in KIT.items()}
    programmes = _schools({kinds[name].code for name in ORCHESTRA}, kit)
    specialists = list(User.objects.filter(role=Role.SPECIALIST).order_by("name"))
    return Shop(office, people, locations, *_plans(now), items, rates, programmes, kit, specialists)


def _people() -> dict[str, User]:
    """One of each role, and all with the one printed password, which is hashed once: that is made to take its time."""
    hashed = make_password(PASSWORD)
    return {
        str(role): User.objects.create(email=email, name=name, role=role, password=hashed) for email, name, role in PEOPLE[::-1]
    }


def _tax(opened_on: datetime.date) -> None:
    """Three invented areas. Which lines are taxed, and how, is for the state and the shop's tax adviser to say."""
    for code, name, rent, goods in [
        ("river", "River towns", "0.078750", "0.078750"),
        ("county", "Harrow County", "0.073750", "0.073750"),
        ("lake", "Lake district", "0.068750", "0.068750"),
    ]:
        area = TaxArea.objects.create(code=code, name=name)
        for applies_to, rate in [("rent", rent), ("protection", rent), ("goods", goods)]:
            TaxRate.objects.create(area=area, applies_to=applies_to, rate=Decimal(rate), effective_from=opened_on)
    for _, postal_code, code in words.TOWNS:
        TaxAreaPostalCode.objects.create(postal_code=postal_code, area_id=code)


def _plans(now: datetime.datetime) -> tuple[PlanVersion, PlanVersion]:
    """Month to month, and three months to begin with. The figures are common practice, no source.

    100 % of rent counts toward the instrument in hand and 60 % toward a better one, no interest, no late fee, no minimum term, an
    annual cleaning worth up to 150, protection with a deductible.
    """
    common = {
        "number": 1,
        "terms": TERMS,
        "credit_share": Decimal(1),
        "step_up_share": Decimal("0.6"),
        "grace_days": 10,
        "protection_covers": COVERS,
        "deductible": money("75.00"),
        "cleaning_worth": money("150.00"),
        "published_at": now,
    }
    monthly = PlanVersion.objects.create(
        plan=Plan.objects.create(code="month-to-month", name="Month to month"),
        title="Month to month, rent counts toward the price",
        early_purchase_discount=Decimal("0.10"),
        **common,
    )
    starter = PlanVersion.objects.create(
        plan=Plan.objects.create(code="three-months", name="Three months to begin with"),
        title="Three months for the price of two, then month by month",
        intro_months=3,
        due_day=1,
        credit_lives_months=6,
        **common,
    )
    return monthly, starter


def _catalogue(
    kinds: dict[str, InstrumentKind], opened_on: datetime.date
) -> tuple[list[tuple[CatalogueItem, int]], dict[tuple[str, str], Rate]]:
    items: list[tuple[CatalogueItem, int]] = []
    rates: dict[tuple[str, str], Rate] = {}
    for position, (name, tier, sizes, model, rent, protection, price, value, share) in enumerate(CATALOGUE):
        kind = kinds[name]
        for size in sizes:
            item = CatalogueItem.objects.create(
                kind=kind,
                maker=words.MAKERS[position % len(words.MAKERS)],
                model=model,
                size=size,
                tier=tier,
                purchase_price=money(price),
                replacement_value=money(value),
            )
            items.append((item, share // len(sizes)))
        rates[kind.code, tier] = Rate.objects.create(
            kind=kind,
            tier=tier,
            monthly_rent=money(rent),
            monthly_protection=money(protection),
            intro_rent=money(rent) * 2,
            effective_from=opened_on,
        )
    return items, rates


def _schools(orchestra: set[str], kit: dict[str, list[tuple[Product, int]]]) -> list[Programme]:
    programmes = []
    for position, (name, district, town, weekday, kinds) in enumerate(words.SCHOOLS):
        city, postal_code, _ = words.TOWNS[town]
        school = School.objects.create(
            name=name,
            district=District.objects.get_or_create(name=district)[0],
            street=f"{100 + 7 * position} {words.STREETS[position]} {words.STREET_KINDS[position % 7]}",
            city=city,
            state=words.STATE,
            postal_code=postal_code,
            delivery_weekday=weekday,
        )
        for kind in kinds:
            director = f"{words.GIVEN[(position * 13 + len(kind)) % len(words.GIVEN)]} {words.FAMILY[position * 17]}"
            address = director.lower().replace(" ", ".") + "@schools.example"
            programme = Programme.objects.create(
                school=school,
                kind=kind,
                starting_grade=4 if kind == "orchestra" else 5,
            )
            Director.objects.create(name=director, email=address).programmes.add(programme)
            wanted = {code: lines for code, lines in kit.items() if (code in orchestra) == (kind == "orchestra")}
            RequiredItem.objects.bulk_create(
                RequiredItem(programme=programme, kind_id=code, product=product, quantity=quantity)
                for code, lines in wanted.items()
                for product, quantity in lines
            )
            programmes.append(programme)
    return programmes
