"""A delivery received: every instrument of it with its tag, serial number, cost and shelf, in one transaction or not at all."""

import datetime
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from decimal import Decimal
from uuid import UUID

from django.db import IntegrityError, transaction

from rentals.inventory import rules
from rentals.inventory.models import CatalogueItem, Custody, Delivery, Instrument, InstrumentKind, Location
from rentals.inventory.operations.tag_series import take_tags
from rentals.inventory.receiving_rules import LONGEST_SERIAL, miscount
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer


@dataclass(frozen=True)
class DeliveryFacts:
    """What holds for the whole delivery."""

    supplier: str
    order_number: str
    location: Location
    acquired_on: datetime.date
    note: str = ""


@dataclass(frozen=True)
class DeliveryLine:
    """Instruments of one model, condition and cost (each, in the office's currency).

    `serials`: one for every piece, "" for one without; empty when none of them has one. `tags`: one for every piece where labels
    are on them already; empty: the next ones of the series.
    """

    item: CatalogueItem
    pieces: int
    grade: str
    cost: Decimal
    serials: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Problem:
    """What is wrong with a line, and what to do; `instrument` is the one in the way.

    `line` counts from 0; `box` is "serials" or "tags"; `row` counts from 1 within it, and is 0 for the box as a whole.
    """

    line: int
    box: str
    row: int
    text: str
    message: str
    instrument: Instrument | None = None


class DeliveryRefusedError(Exception):
    """Nothing was received; `problems` says why, line by line."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = list(problems)
        super().__init__("Nothing was received yet: some lines need another look.")


@transaction.atomic
def receive_delivery(
    *, facts: DeliveryFacts, lines: Sequence[DeliveryLine], request_key: UUID, acting_user: User, now: datetime.datetime
) -> Delivery:
    """Take everything that came into the fleet, onto the shelf of its location; the same key again returns the first delivery.

    Raises DeliveryRefusedError, NoTagSeriesError, RequestKeyReusedError, RowsBusyError.
    """
    lines = [replace(line, serials=tuple(serial.strip().upper() for serial in line.serials)) for line in lines]
    answer = claim_request(key=request_key, purpose="delivery", request=_request(facts, lines), acting_user=acting_user)
    if answer is not None:
        return Delivery.objects.get(pk=answer["delivery"])
    _refuse(find_problems(lines))
    try:
        with transaction.atomic():
            delivery = _write(facts, lines, acting_user, now)
    except IntegrityError:
        _refuse(find_problems(lines))  # somebody received one of them at the same moment
        raise
    keep_answer(key=request_key, answer={"delivery": delivery.pk})
    return delivery


def _request(facts: DeliveryFacts, lines: Sequence[DeliveryLine]) -> dict[str, object]:
    told = {**asdict(facts), "location": facts.location.pk}
    return {"facts": told, "lines": [{**vars(line), "item": line.item.pk} for line in lines]}


def _refuse(problems: list[Problem]) -> None:
    if problems:
        raise DeliveryRefusedError(problems)


def find_problems(lines: Sequence[DeliveryLine]) -> list[Problem]:
    """Return everything that stands in the way of receiving these lines, in their order: counts, doubles, codes in the fleet."""
    problems = [problem for place, line in enumerate(lines) for problem in _miscounted(place, line)]
    problems += _serials_told_twice(lines) + _serials_known(lines) + _tags_in_the_way(lines)
    return sorted(problems, key=lambda problem: (problem.line, problem.box, problem.row))


def _miscounted(place: int, line: DeliveryLine) -> list[Problem]:
    found = []
    for box, codes, what in (("serials", line.serials, "serial number"), ("tags", line.tags, "tag")):
        words = miscount(line.pieces, len(codes), what) if codes else ""
        if words:
            found.append(Problem(place, box, 0, "", words))
    found += [
        Problem(
            place, "serials", row, serial, f"This is longer than {LONGEST_SERIAL} letters: are these two serial numbers in one?"
        )
        for row, serial in enumerate(line.serials, start=1)
        if len(serial) > LONGEST_SERIAL
    ]
    return found


def _serials_told_twice(lines: Sequence[DeliveryLine]) -> list[Problem]:
    first: dict[tuple[int, str], tuple[int, int]] = {}
    problems = []
    for place, line in enumerate(lines):
        for row, serial in enumerate(line.serials, start=1):
            before = first.setdefault((line.item.pk, serial), (place, row)) if serial else (place, row)
            if before != (place, row):
                where = f"row {before[1]}" if before[0] == place else f"row {before[1]} of line {before[0] + 1}"
                problems.append(
                    Problem(
                        place, "serials", row, serial, f"It stands in {where} too: take one of them out, or scan the other one."
                    )
                )
    return problems


def _serials_known(lines: Sequence[DeliveryLine]) -> list[Problem]:
    serials = {serial for line in lines for serial in line.serials if serial}
    units = Instrument.objects.filter(serial_number__in=serials).select_related("item")
    known = {(unit.item_id, unit.serial_number): unit for unit in units}
    problems = []
    for place, line in enumerate(lines):
        for row, serial in enumerate(line.serials, start=1):
            unit = known.get((line.item.pk, serial))
            if unit:
                words = f"{unit.asset_tag} is the same model with this serial number: it is in the fleet already."
                problems.append(Problem(place, "serials", row, serial, words, unit))
    return problems


def _tags_in_the_way(lines: Sequence[DeliveryLine]) -> list[Problem]:
    problems, first = [], dict[str, tuple[int, int]]()
    for place, line in enumerate(lines):
        for row, written in enumerate(line.tags, start=1):
            try:
                tag = rules.normalise_tag(written)
            except rules.BadAssetTagError as error:
                problems.append(Problem(place, "tags", row, written, str(error)))
                continue
            before = first.setdefault(tag, (place, row))
            if before != (place, row):
                where = f"row {before[1]}" if before[0] == place else f"row {before[1]} of line {before[0] + 1}"
                problems.append(Problem(place, "tags", row, tag, f"It stands in {where} too: every instrument has its own tag."))
    for unit in Instrument.objects.filter(asset_tag__in=first):
        place, row = first[unit.asset_tag]
        words = "Another instrument has this tag: look at the label again, or give this one another."
        problems.append(Problem(place, "tags", row, unit.asset_tag, words, unit))
    return problems


def _write(facts: DeliveryFacts, lines: Sequence[DeliveryLine], acting_user: User, now: datetime.datetime) -> Delivery:
    delivery = Delivery.objects.create(
        supplier=facts.supplier,
        order_number=facts.order_number,
        location=facts.location,
        note=facts.note,
        received_at=now,
        received_by=acting_user,
    )
    units = [
        Instrument(
            asset_tag=tag,
            serial_number=serial,
            item=line.item,
            grade=line.grade,
            cost=line.cost,
            acquired_on=facts.acquired_on,
            delivery=delivery,
        )
        for line, tags in zip(lines, _tags(lines), strict=True)
        for tag, serial in zip(tags, line.serials or [""] * line.pieces, strict=True)
    ]
    reason = f"Received, order {facts.order_number}" if facts.order_number else "Received"
    Custody.objects.bulk_create(
        Custody(
            instrument=unit, place=Custody.Place.SHELF, location=facts.location, began_at=now, reason=reason, moved_by=acting_user
        )
        for unit in Instrument.objects.bulk_create(units)
    )
    return delivery


def _tags(lines: Sequence[DeliveryLine]) -> list[list[str]]:
    """Return the tags of each line: its own, or the next of its kind's series."""
    own = [[rules.normalise_tag(tag) for tag in line.tags] for line in lines]
    wanted: Counter[InstrumentKind] = Counter()
    for line in lines:
        if not line.tags:
            wanted[line.item.kind] += line.pieces
    taken = take_tags(wanted=wanted, leave={tag for tags in own for tag in tags})
    given = {code: iter(tags) for code, tags in taken.items()}
    return [tags or [next(given[line.item.kind_id]) for _ in range(line.pieces)] for line, tags in zip(lines, own, strict=True)]
