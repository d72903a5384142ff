"""What the sign-up sheet shows: what is known about the family and the shop, what has been picked, and what follows from it.

Answers are kept as they were typed, one string per field, so that a half-filled sheet comes back exactly as it was left.
"""

import datetime
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property

from rentals.agreements import errors, operations, queries, quotes, wording
from rentals.agreements.models import Agreement, PlanVersion, Rate, SignUpDraft
from rentals.families.models import Guardian, Household, Student
from rentals.inventory import queries as fleet
from rentals.inventory import rules as fleet_rules
from rentals.inventory.models import CatalogueItem, Instrument, InstrumentKind, Product
from rentals.inventory.reference import list_sizes
from schools import queries as schools
from schools import wishes
from schools.models import Programme, RequiredItem

NEW = "new"
SHOWN_UNITS = 4

Answers = Mapping[str, str]


@dataclass(frozen=True)
class Known:
    """What is known before anything is picked."""

    household: Household
    guardians: Sequence[Guardian]
    students: Sequence[Student]
    programmes: Sequence[Programme]
    rates: Sequence[Rate]
    versions: Sequence[PlanVersion]
    today: datetime.date

    @cached_property
    def kinds(self) -> list[InstrumentKind]:
        """The kinds that have a price today, in the order of a score."""
        return list({rate.kind_id: rate.kind for rate in self.rates}.values())


def load_known(draft: SignUpDraft, today: datetime.date) -> Known:
    """Read what the sheet can offer; five queries."""
    household = draft.household
    return Known(
        household=household,
        guardians=list(household.guardians.order_by("-is_primary", "pk")),
        students=list(household.students.order_by("given_name", "pk")),
        programmes=list(wishes.with_wishes(schools.list_programmes())),
        rates=list(queries.list_rates(today)),
        versions=queries.list_offered_versions(),
        today=today,
    )


@dataclass(frozen=True)
class Picked:
    """What the answers so far mean; None or "" where nothing useful was answered yet."""

    guardian: Guardian | None
    student: Student | None
    is_new: bool
    programme: Programme | None
    kind: InstrumentKind | None
    tier: str
    rates: Sequence[Rate]
    size: str
    arm: Decimal | None
    grade: int | None
    version: PlanVersion | None
    protection: bool | None
    received_at: str
    tag: str


def read_arm(text: str) -> Decimal | None:
    """Read an arm's length in inches ("21", "21.5", "21 1/2", with or without a sign for inches); None when it is none.

    >>> read_arm('21 1/2"'), read_arm("20.5 in"), read_arm("long")
    (Decimal('21.5'), Decimal('20.5'), None)
    """
    found = re.fullmatch(r"(\d{1,2})(?:[.,](\d{1,3})| (\d)/([248]))? ?(?:\"|”|″|in\.?|inch|inches)?", " ".join(text.split()))
    if not found:
        return None
    whole, part, over, under = found.groups()
    return Decimal(f"{whole}.{part or 0}") + (Decimal(over) / Decimal(under) if over else 0)


def read_answers(answers: Answers, known: Known) -> Picked:
    """Make what sense there is of the answers; a wrong one counts as not given."""

    def one(name: str, rows: Sequence[object]) -> object | None:
        return next((row for row in rows if str(row.pk) == answers.get(name)), None)  # type: ignore[attr-defined]

    student = one("student", known.students)
    programme = one("programme", known.programmes)
    kind = one("kind", known.kinds)
    tier = answers.get("tier") or CatalogueItem.Tier.BEGINNER.value
    of_kind = [rate for rate in known.rates if kind and rate.kind_id == kind.pk]  # type: ignore[attr-defined]
    grade = answers.get("grade", "")
    version = one("plan", known.versions) or (known.versions[0] if len(known.versions) == 1 else None)
    known_grade = student.grade if isinstance(student, Student) else None
    return Picked(
        guardian=one("guardian", known.guardians) or (known.guardians[0] if known.guardians else None),  # type: ignore[arg-type]
        student=student,  # type: ignore[arg-type]
        is_new=answers.get("student") == NEW,
        programme=programme,  # type: ignore[arg-type]
        kind=kind,  # type: ignore[arg-type]
        tier=tier,
        rates=[rate for rate in of_kind if not isinstance(version, PlanVersion) or rate.plan_id in {None, version.plan_id}],
        size=answers.get("size", ""),
        arm=read_arm(answers.get("arm", "")),
        grade=int(grade) if grade.isascii() and grade.isdigit() and answers.get("student") in {NEW, None} else known_grade,
        version=version,  # type: ignore[arg-type]
        protection=_wants_protection(answers, version),
        received_at=answers.get("received_at") or Agreement.ReceivedAt.COUNTER.value,
        tag=answers.get("tag", "").strip(),
    )


def _wants_protection(answers: Answers, version: object) -> bool | None:
    if isinstance(version, PlanVersion) and version.protection_required:
        return True
    return {"yes": True, "no": False}.get(answers.get("protection", ""))


@dataclass(frozen=True)
class GoodsRow:
    """A product of the school's list: what the school asks for, and what the family takes."""

    product: Product
    asked: int
    ticked: bool
    written: str
    choice: int | None = None
    note: str = ""

    @property
    def quantity(self) -> int:
        """How many the family takes; what cannot be read counts as what the school asks for."""
        return (
            int(self.written)
            if self.written.isascii() and self.written.isdigit() and 1 <= int(self.written) <= 20
            else self.asked
        )


@dataclass(frozen=True)
class Verdict:
    """What is to be said about a scanned tag; `others` are tags to offer instead, `gone` says who has it when somebody has."""

    good: bool
    text: str
    others: Sequence[Instrument] = ()
    gone: errors.InstrumentNotAvailableError | None = None


@dataclass(frozen=True)
class Panel:
    """What follows from what was picked: sizes, the school's list, instruments on the shelf, the price."""

    picked: Picked
    sizes: tuple[str, ...]
    proposal: fleet_rules.SizeProposal | None
    goods_for: str
    goods: tuple[GoodsRow, ...]
    goods_seen: bool
    elsewhere: Sequence[RequiredItem]
    suggestions: Sequence[Instrument]
    unit: Instrument | None
    verdict: Verdict | None
    quote: quotes.Quote | None
    no_quote: str
    rents: Mapping[str, Sequence[Decimal]] = field(default_factory=dict)
    usual_size: str = ""
    approved: Mapping[int, str] = field(default_factory=dict)

    @property
    def is_off_list(self) -> bool:
        """Whether the instrument chosen is a model that the director's list leaves out."""
        return bool(self.approved) and self.unit is not None and self.unit.item_id not in self.approved

    @property
    def taken_goods(self) -> tuple[tuple[Product, int], ...]:
        """The products the family takes along."""
        return tuple((row.product, row.quantity) for row in self.goods if row.ticked)


def build_panel(answers: Answers, known: Known) -> Panel:
    """Work out what follows from the answers; about six queries."""
    picked = read_answers(answers, known)
    sizes = tuple(row.size for row in list_sizes(picked.kind.pk)) if picked.kind and picked.kind.has_sizes else ()
    proposal = (
        fleet_rules.propose_size(picked.kind.pk, arm_inches=picked.arm, grade=picked.grade) if sizes and picked.kind else None
    )
    goods_for = f"{picked.programme.pk}:{picked.kind.pk}" if picked.programme and picked.kind else ""
    asked_for = schools.list_asked_for(picked.programme.pk, picked.kind.pk) if picked.programme and picked.kind else []
    goods = _goods(answers, asked_for, goods_for)
    suggestions = _suggestions(picked, sizes)
    unit, verdict = _judge_tag(picked, sizes, suggestions)
    quote, no_quote = _price(picked, known, unit or (suggestions[0] if suggestions else None), goods)
    return Panel(
        picked=picked,
        sizes=sizes,
        proposal=proposal,
        goods_for=goods_for,
        goods=goods,
        elsewhere=[asked for asked in asked_for if asked.sold_by != RequiredItem.SoldBy.US],
        goods_seen=answers.get("goods_for", "") == goods_for,
        suggestions=suggestions,
        unit=unit,
        verdict=verdict,
        quote=quote,
        no_quote=no_quote,
        rents=_rents(picked),
        usual_size=_usual_size(picked) if sizes else "",
        approved=wishes.approved_models(picked.programme, picked.kind.pk) if picked.programme and picked.kind else {},
    )


def _usual_size(picked: Picked) -> str:
    """The size that the director usually wants for the student's school year."""
    if picked.programme is None or picked.kind is None or picked.grade is None:
        return ""
    return wishes.usual_size(picked.programme, picked.kind.pk, picked.grade)


def _rents(picked: Picked) -> dict[str, list[Decimal]]:
    """The rents a month of each model, lowest first: new ones and returned stock, and without a plan all plans."""
    tiers = {rate.tier for rate in picked.rates}
    return {tier: sorted({rate.monthly_rent.amount for rate in _in_use(picked, tier)}) for tier in tiers}


def _in_use(picked: Picked, tier: str) -> list[Rate]:
    """The lines of the rate card that a model may be let at."""
    lines = [rate for rate in picked.rates if rate.tier == tier]
    if picked.version is None:
        return lines
    found = (quotes.pick_rate(lines, plan=picked.version.plan_id, condition=each) for each in ("new", "returned"))
    return [rate for rate in found if rate is not None]


def _goods(answers: Answers, asked_for: Sequence[RequiredItem], goods_for: str) -> tuple[GoodsRow, ...]:
    """The school's list as far as we sell it, ticked in advance (of alternatives the first) until the family has seen it."""
    seen = answers.get("goods_for") == goods_for
    listed = [asked for asked in asked_for if schools.is_sold_by_us(asked)]
    first = {asked.choice: asked.pk for asked in reversed(listed)}
    return tuple(
        GoodsRow(
            product=asked.product,
            asked=asked.quantity,
            ticked=f"goods_{asked.product_id}" in answers if seen else asked.choice is None or first[asked.choice] == asked.pk,
            written=answers.get(f"quantity_{asked.product_id}", "") if seen else str(asked.quantity),
            choice=asked.choice,
            note=asked.note,
        )
        for asked in listed
        if asked.product is not None
    )


def _suggestions(picked: Picked, sizes: tuple[str, ...]) -> list[Instrument]:
    if not picked.kind or (sizes and picked.size not in sizes):
        return []
    return list(fleet.find_available(picked.kind.pk, picked.size if sizes else "", picked.tier)[:SHOWN_UNITS])


def _judge_tag(
    picked: Picked, sizes: tuple[str, ...], suggestions: Sequence[Instrument]
) -> tuple[Instrument | None, Verdict | None]:
    """Return the instrument of the tag when it may be given out, and what to say about it."""
    if not picked.tag:
        return None, None
    unit = next((each for each in suggestions if each.asset_tag == picked.tag.upper()), None)
    if unit is not None:
        return unit, Verdict(True, f"{describe(unit)}.")
    found = fleet.get_by_tag(picked.tag)
    if found is None:
        near = fleet.list_near_tags(picked.tag, SHOWN_UNITS)
        return None, Verdict(False, f"No instrument has the tag {picked.tag}.", near or suggestions)
    wrong = _mismatch(found, picked, sizes)
    if wrong:
        return None, Verdict(False, wrong, suggestions)
    try:
        operations.check_available(found)
    except errors.InstrumentNotAvailableError as error:
        return None, Verdict(False, str(error), [error.next_like_it] if error.next_like_it else (), error)
    return found, Verdict(True, f"{describe(found)}.")


def _mismatch(found: Instrument, picked: Picked, sizes: tuple[str, ...]) -> str:
    item = found.item
    words = f"{found.asset_tag} is a {item.kind.name.lower()}{f' {item.size}' if item.size else ''} ({item.maker} {item.model})"
    if picked.kind is None:
        return f"{words}. Choose the instrument first."
    if item.kind_id != picked.kind.pk:
        return f"{words}, not a {picked.kind.name.lower()}."
    if sizes and item.size != picked.size:
        return f"{words}; the size chosen is {picked.size or 'still open'}."
    if item.tier != picked.tier:
        return f"{words}, a model for {item.get_tier_display().lower()}s, which has another price."
    return ""


def describe(unit: Instrument) -> str:
    """Say in a line which instrument this is and where it stands."""
    item = unit.item
    here = fleet.get_whereabouts(unit) if not hasattr(unit, "here") else None
    place = getattr(unit, "here", None)
    where = str(place.location or "") if place else (here.keeper if here else "")
    words = (
        f"{unit.asset_tag}: {item.maker} {item.model}{f', {item.size}' if item.size else ''}, {unit.get_grade_display().lower()}"
    )
    return f"{words}, on the shelf{f' at {where}' if where else ''}"


def _price(picked: Picked, known: Known, unit: Instrument | None, goods: tuple[GoodsRow, ...]) -> tuple[quotes.Quote | None, str]:
    if not picked.kind:
        return None, "Choose the instrument to see the price."
    lines = [rate for rate in picked.rates if rate.tier == picked.tier]
    if not lines:
        tier = CatalogueItem.Tier(picked.tier).label.lower() if picked.tier in CatalogueItem.Tier else picked.tier
        return None, f"The rate card has no price for {picked.kind.name.lower()} ({tier}) today."
    if not picked.version:
        return None, "Choose the plan to see the price." if known.versions else "No plan is published yet: ask the manager."
    if unit is None:
        waits = picked.kind.has_sizes and not picked.size
        return None, "Choose the size to see the price." if waits else "None of these is on a shelf now."
    rate = quotes.pick_rate(lines, plan=picked.version.plan_id, condition=quotes.condition_of(unit))
    if rate is None:
        return None, f"The rate card has no price for {unit.asset_tag}, which is {unit.get_grade_display().lower()}, today."
    try:
        area = queries.get_tax_area_of_receipt(picked.received_at, known.household, picked.programme)
    except queries.NoTaxAreaError as error:
        return None, str(error)
    quote = quotes.make_quote(
        item=unit.item,
        plan_version=picked.version,
        rate=rate,
        protection=bool(picked.protection),
        goods=[(row.product, row.quantity) for row in goods if row.ticked],
        tax_area=area,
        tax_rates=queries.get_household_tax_rates(known.household.pk, area, known.today),
        starts_on=known.today,
    )
    return quote, ""


def plan_words(version: PlanVersion) -> str:
    """Say in a few sentences what a plan means."""
    return f"{wording.billing_in_words(version)} {wording.credit_in_words(version)}".strip()
