"""What the lead's board and the closing sheet are made of; each read once for both."""

import datetime
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Exists, OuterRef, Prefetch, Q, Sum
from django.utils import timezone

from billing.models import Payment, PaymentReturn, Taking, TakingCount
from rentals.agreements.models import AgreementGoods, NightSignUp, UnitPromise
from rentals.counter.nights.board import rules
from rentals.counter.nights.board.to_collect import ToCollect, sum_to_collect
from rentals.counter.nights.intake.giving_up import GivenUp, list_given_up
from rentals.runtime.money import ZERO
from schools import line
from schools.models import Night, NightStaff, NightTablet, NightUnit

State = NightSignUp.State


@dataclass(frozen=True)
class SignUps:
    """What came in. `hours`: (hour of the shop's clock as text, how many); `people`, `tablets`: (name, how many)."""

    agreements: int
    attention: int
    discarded: int
    offline: int
    hours: tuple[tuple[str, int], ...]
    people: tuple[tuple[str, int], ...]
    tablets: tuple[tuple[str, int], ...]
    late: tuple[NightSignUp, ...] = ()

    @property
    def arrived(self) -> int:
        """All that reached the office."""
        return self.agreements + self.attention + self.discarded


@dataclass(frozen=True)
class VanRow:
    """What was along of a kind and size, and how long the rest will do at the pace so far."""

    name: str
    loaded: int
    given: int
    back: int
    missing: int
    lasts: int | None

    @property
    def left(self) -> int:
        """What is along and free."""
        return self.loaded - self.given - self.back - self.missing

    def tone(self, minutes_to_go: int) -> tuple[str, str]:
        """Say how it looks in a word and a tone, for an evening that still goes on for so many minutes."""
        if not self.left:
            return ("All given", "bad") if minutes_to_go > 0 and self.given else ("None left", "quiet")
        if self.lasts is not None and self.lasts < minutes_to_go:
            return f"Runs out in about {self.lasts} min", "warn"
        return "Enough", "good"


@dataclass(frozen=True)
class Till:
    """One person's takings of the day, as the books have them; `state`, `word` and `tone` say whether they are counted down."""

    taking: Taking
    cash: Decimal
    cheques: Decimal
    of_night: Decimal
    """What of it families paid that signed at this night."""
    count: TakingCount | None

    @property
    def is_closed(self) -> bool:
        """Whether the count stands and is closed."""
        return self.count is not None and self.count.closed_at is not None


@dataclass(frozen=True)
class Evening:
    """A night at a moment."""

    night: Night
    sign_ups: SignUps
    van: tuple[VanRow, ...]
    tills: tuple[Till, ...]
    unpaid: int
    """Families that gave neither cash nor a check, and are not to pay afterwards either."""
    to_collect: ToCollect
    promises: int
    """Agreements without an instrument of this night's van: open, or served from elsewhere."""
    open_promises: int
    tablets: tuple[NightTablet, ...]
    given_up: tuple[GivenUp, ...]
    line: line.Line
    minutes_to_go: int

    @property
    def cash(self) -> Decimal:
        """Cash in all tills."""
        return sum((till.cash for till in self.tills), ZERO)

    @property
    def cheques(self) -> Decimal:
        """Checks in all tills."""
        return sum((till.cheques for till in self.tills), ZERO)

    @property
    def van_left(self) -> int:
        """What is along and free, of all kinds."""
        return self.count("left")

    @property
    def held(self) -> int:
        """Sign-ups that tablets said they still hold."""
        return sum(tablet.held for tablet in self.tablets)

    @property
    def unsettled(self) -> tuple[NightTablet, ...]:
        """Tablets that hold something nobody took off them."""
        return tuple(tablet for tablet in self.tablets if not tablet.is_settled)

    @property
    def van_rows(self) -> list[tuple[VanRow, tuple[str, str]]]:
        """Each row with how it looks, what runs out first."""
        order = {"bad": 0, "warn": 1, "good": 2, "quiet": 3}
        rows = [(row, row.tone(self.minutes_to_go)) for row in self.van]
        return sorted(rows, key=lambda pair: (order[pair[1][1]], pair[0].name))

    def count(self, field: str) -> int:
        """Add up a column of the van."""
        return sum(int(getattr(row, field)) for row in self.van)


def get_evening(night: Night, *, now: datetime.datetime, with_counts: bool = False) -> Evening:
    """Read a night for its board and its closing sheet: six queries, whatever its size; one more `with_counts` of the
    tills, and two where families pay afterwards.
    """
    rows = _list_sign_ups(night)
    promises = _list_promises(night)
    return Evening(
        night=night,
        sign_ups=_sum_up(rows, night),
        van=_list_van(night, now),
        tills=list_tills(night, with_counts=with_counts),
        unpaid=sum(1 for row in rows if row.state == State.ARRIVED and not (row.pays_later or getattr(row, "has_paid", False))),
        to_collect=sum_to_collect(night, [row.agreement_id for row in rows if row.pays_later and row.agreement_id]),
        promises=sum(1 for _settled_at, from_van in promises if not from_van),
        open_promises=sum(1 for settled_at, _from_van in promises if settled_at is None),
        tablets=tuple(line.list_tablets(night)),
        given_up=tuple(list_given_up(night)),
        line=line.get_line(night, now=now),
        minutes_to_go=rules.minutes_to_go(night.on, night.ends_at, timezone.localtime(now)),
    )


def _list_promises(night: Night) -> list[tuple[datetime.datetime | None, bool]]:
    """List a night's promises: when each was settled, and whether from this night's own van (it counts as given there)."""
    from_van = NightUnit.objects.filter(night=night, instrument=OuterRef("given"), outcome=NightUnit.Outcome.GIVEN)
    return list(UnitPromise.objects.filter(night=night).values_list("settled_at", Exists(from_van)))


def _list_sign_ups(night: Night) -> list[NightSignUp]:
    """List a night's sign-ups; `has_paid` tells whether the family gave cash or a check that day."""
    paid = Payment.objects.filter(taking__day=night.on, household=OuterRef("agreement__household"))
    rows = NightSignUp.objects.filter(night=night).defer("sealed").select_related("sent_by", "taken_by")
    return list(rows.annotate(has_paid=Exists(paid)).order_by("received_at"))


def _sum_up(rows: Sequence[NightSignUp], night: Night) -> SignUps:
    states = Counter(row.state for row in rows)
    signed = [row for row in rows if row.state == State.ARRIVED]
    hours = Counter(timezone.localtime(row.made_at).replace(minute=0, second=0, microsecond=0) for row in signed)
    late = [row for row in rows if night.state == Night.State.CLOSED and night.ended_at and row.received_at > night.ended_at]
    return SignUps(
        agreements=states[State.ARRIVED],
        attention=states[State.ATTENTION],
        discarded=states[State.DISCARDED],
        offline=sum(1 for row in rows if row.was_offline),
        hours=tuple((f"{hour:%-I %p}", hours[hour]) for hour in sorted(hours)),
        people=tuple(Counter(row.taken_by.name for row in signed).most_common()),
        tablets=tuple(Counter(str(row.device)[:4].upper() for row in signed).most_common()),
        late=tuple(late),
    )


def _list_van(night: Night, now: datetime.datetime) -> tuple[VanRow, ...]:
    units = NightUnit.objects.filter(night=night).select_related("instrument__item__kind")
    found: dict[tuple[int, str], list[NightUnit]] = defaultdict(list)
    for unit in units.order_by("instrument__item__kind__order", "instrument__item__size"):
        item = unit.instrument.item
        found[(item.kind.order, f"{item.kind.name} {item.size}".strip())].append(unit)
    rows = []
    for (_, name), those in found.items():
        outcomes = Counter(unit.outcome for unit in those)
        given = sorted(unit.ended_at for unit in those if unit.outcome == NightUnit.Outcome.GIVEN and unit.ended_at)
        rows.append(
            VanRow(
                name=name,
                loaded=len(those),
                given=len(given),
                back=outcomes[NightUnit.Outcome.BACK],
                missing=outcomes[NightUnit.Outcome.MISSING],
                lasts=rules.lasts_minutes(left=outcomes[""], given=given, now=now),
            )
        )
    return tuple(rows)


def list_tills(night: Night, *, with_counts: bool = False) -> tuple[Till, ...]:
    """List the takings of that day of everybody who works at a night or signed a family up there, mistakes left out."""
    people = Q(person__in=NightStaff.objects.filter(night=night).values("user"))
    people |= Q(person__in=NightSignUp.objects.filter(night=night).values("taken_by"))
    good = ~Q(payments__payment_return__kind=PaymentReturn.Kind.MISTAKE)
    cash = Q(payments__method=Payment.Method.CASH) & good
    cheques = Q(payments__method=Payment.Method.CHEQUE) & good
    here = Q(payments__household__in=NightSignUp.objects.filter(night=night).values("agreement__household"))
    standing = Prefetch("counts", TakingCount.objects.filter(reopened_at=None), to_attr="standing")
    rows = Taking.objects.filter(people, day=night.on).select_related("person")
    rows = rows.prefetch_related(standing) if with_counts else rows
    rows = rows.annotate(
        cash=Sum("payments__amount", filter=cash, default=ZERO),
        cheques=Sum("payments__amount", filter=cheques, default=ZERO),
        of_night=Sum("payments__amount", filter=(cash | cheques) & here, default=ZERO),
    )
    return tuple(
        Till(row, row.cash, row.cheques, row.of_night, next(iter(getattr(row, "standing", ())), None))
        for row in rows.order_by("person__name", "pk")
    )


def list_kits(night: Night) -> tuple[tuple[str, int], ...]:
    """List what was sold with the night's agreements, (product, how many), the most first."""
    goods = AgreementGoods.objects.filter(agreement__night_sign_up__night=night).values_list("product__name")
    return tuple(goods.annotate(n=Sum("quantity")).order_by("-n", "product__name"))
