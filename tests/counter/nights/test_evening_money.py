"""The money of one family with two children, worked by hand; and whatever a tablet sends ends as one of three."""

import datetime
from collections import defaultdict
from decimal import Decimal

import pytest
from django.db import transaction
from django.db.models import Sum
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from billing import verify
from billing.models import Charge, ChargeLine, Payment, Posting, Taking
from rentals.agreements.models import Agreement, NightSignUp, UnitPromise
from rentals.counter.nights.intake import operations
from rentals.counter.nights.intake.answers import answer_of
from rentals.counter.nights.intake.envelope import NotAnEnvelopeError, read_envelope
from rentals.families.models import Household
from tests.counter.nights.tablets import ADULT, CHILD, FAMILY, Tablet, at, open_night
from tests.inventory.factories import ProductFactory, kind
from tests.schools.factories import RequiredItemFactory

pytestmark = pytest.mark.django_db
D = Decimal

# Rent 30.00 and protection 5.00 a month, a book at 10.00; 8.25 % tax on each, to the cent, half up, line by line.
# The arithmetic is common practice, no source.
#   first child, with protection:  30.00 + 2.48 + 5.00 + 0.41          = 37.89   (2.475 and 0.4125)
#   second child, with the book:   30.00 + 2.48 + 10.00 + 0.83         = 43.31   (0.825)
DUE = {"first": D("37.89"), "second": D("43.31")}
LINES = [("2.48", True), ("2.48", True), ("0.41", True), ("0.83", True)]
LEDGER = {
    "1000": D("81.20"),  # cash and checks on hand: 37.89 + 43.31
    "1200": D("0.00"),  # nothing is owed any more
    "2100": D("-6.20"),  # 2.48 + 0.41 + 2.48 + 0.83
    "4000": D("-60.00"),
    "4100": D("-5.00"),
    "4200": D("-10.00"),
}


@pytest.fixture
def night():
    night = open_night("CL-1", "CL-2")
    book = ProductFactory(name="Method book", price=D("10.00"))
    RequiredItemFactory(programme=night.programmes.get(), kind=kind("clarinet"), product=book)
    return night


def take_in(night, sent, *, days_later=0, hour=20):
    later = datetime.timedelta(days=days_later)
    return operations.take_in(
        envelope=read_envelope(sent),
        night=night,
        acting_user=night.staff.get().user,
        now=max(timezone.now(), at(night.on, hour)) + later,
        today=night.on + later,
    )


@pytest.mark.parametrize("days_later", [0, 2])
def test_a_family_of_two_children_to_the_cent(night, days_later):
    tablet = Tablet(night)
    first = tablet.envelope("CL-1", protection=True)
    book = [{"product": tablet.pack["products"][0]["id"], "quantity": 1}]
    paid = {"method": "cheque", "amount": "43.31", "cheque_number": "204"}
    second = tablet.envelope("CL-2", protection=False, goods=book, student={**CHILD, "given_name": "Rain"}, payment=paid)
    assert (first["shown"]["due_today"], second["shown"]["due_today"]) == (str(DUE["first"]), str(DUE["second"]))
    for sent in (first, second):
        row = take_in(night, sent, days_later=days_later)
        assert row.state == "arrived", row.why
    home = Household.objects.get()
    assert sorted(Payment.objects.values_list("amount", "method")) == [(DUE["first"], "cash"), (DUE["second"], "cheque")]
    assert len(set(Payment.objects.values_list("number", flat=True))) == 2
    assert {(each.day, each.person) for each in Taking.objects.all()} == {(night.on, night.staff.get().user)}
    assert set(Payment.objects.values_list("received_on", flat=True)) == {night.on}
    assert {each.due_on for each in Charge.objects.filter(household=home)} == {night.on}
    taxes = ChargeLine.objects.filter(is_tax=True).values_list("amount", flat=True)
    assert sorted(taxes) == sorted(D(amount) for amount, _ in LINES)
    ledger: dict[str, Decimal] = defaultdict(Decimal)
    for account, amount in Posting.objects.values_list("account", "amount"):
        ledger[account] += amount
    assert dict(ledger) == LEDGER
    assert [found for check, found in verify.run_checks() if found and check.invariant in {1, 2, 4, 5, 6, 7, 8}] == []


# What may be odd about a sign-up, one or more at once: it comes twice or late, its instrument is gone, a price changed on the
# way, a part is missing or is something else.
PLACES = [
    ("household",), ("guardian",), ("student",), ("programme",), ("item",), ("is_new",), ("instrument",), ("plan_version",),
    ("protection",), ("goods",), ("payment",), ("payment", "amount"), ("payment", "method"), ("shown", "due_today"),
    ("shown", "monthly"), ("shown", "text_sha256"), ("shown", "text"), ("signature", "consent_version"),
    ("signature", "signer_name"), ("signature", "signed_at"), ("guardian", "phone"), ("student", "grade"),
    ("household", "street"), ("home_form",), ("waiting",), ("language",), ("made_at",), ("sequence",), ("format",),
]  # fmt: skip
ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-1, 10**6),
    st.sampled_from(["", "x", "0.00", "37.89", "1000.00", "-1.00", "NaN", "es", "0" * 64, "2020-01-01T10:00:00+00:00", "\x00"]),
    st.just([]),
    st.just({}),
    st.just({"id": 10**6}),
)
SUMS = [("shown", "due_today"), ("shown", "monthly"), ("payment", "amount")]
OTHER_SUM = st.tuples(st.sampled_from(SUMS), st.sampled_from(["0.00", "1.00", "32.48", "37.89", "1000.00"]))
CHANGES = st.lists(OTHER_SUM | st.tuples(st.sampled_from(PLACES), ODD), max_size=2)
SENT = st.lists(
    st.tuples(st.sampled_from([None, "CL-1", "CL-2"]), st.sampled_from(["Sky", "Rain"]), st.sampled_from([0, 0, 1, 15]), CHANGES),
    min_size=1,
    max_size=4,
)


def changed(sent, changes):
    for path, value in changes:
        part = sent
        for name in path[:-1]:
            part = part[name] if isinstance(part.get(name), dict) else {}
        part[path[-1]] = value
    return sent


def is_one_of_three(row, sent):
    """Hold a line to what it says: an agreement, sealed for a person, or nothing at all."""
    answer = answer_of(row)
    assert row.state in {"arrived", "attention"}
    assert answer["outcome"] in {"arrived", "arrived_without_unit", "attention"}
    if row.state == "attention":
        assert row.agreement is None
        assert row.why
        assert row.sealed
        return
    assert row.sealed is None
    agreement = row.agreement
    has_unit = agreement.units.filter(ended_at=None).exists()
    assert has_unit != UnitPromise.objects.filter(agreement=agreement, settled_at=None).exists()
    assert (answer["outcome"] == "arrived") == has_unit
    billed = ChargeLine.objects.filter(charge__agreement=agreement).aggregate(sum=Sum("amount"))["sum"]
    assert billed == D(sent["shown"]["due_today"])
    paid = Payment.objects.filter(household=agreement.household, amount=D(sent["payment"]["amount"])).exists()
    assert paid == (sent["payment"]["method"] != "none")
    assert agreement.signature.text_sha256 == sent["shown"]["text_sha256"]


def test_whatever_is_sent_ends_as_an_agreement_a_question_or_a_refusal(night):
    tablet = Tablet(night)

    @settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
    @given(SENT)
    def holds(evening):
        start = transaction.savepoint()
        try:
            for tag, child, days_later, changes in evening:
                fresh = tablet.envelope(tag, household=dict(FAMILY), guardian=dict(ADULT), student={**CHILD, "given_name": child})
                sent = changed(fresh, changes)
                before = (NightSignUp.objects.count(), Agreement.objects.count(), Household.objects.count())
                try:
                    row = take_in(night, sent, days_later=days_later)
                except NotAnEnvelopeError:
                    assert before == (NightSignUp.objects.count(), Agreement.objects.count(), Household.objects.count())
                    continue
                is_one_of_three(row, sent)
                assert take_in(night, sent, days_later=days_later).pk == row.pk
                made = Agreement.objects.count() - before[1]
                assert made == (row.state == "arrived")
                if not made:
                    assert Household.objects.count() == before[2]
        finally:
            transaction.savepoint_rollback(start)

    holds()
