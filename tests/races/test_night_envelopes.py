"""Tablets that come back on line together: one envelope sent again and again at once, and one instrument signed for twice."""

import pytest
from django.utils import timezone

from billing.models import Payment
from rentals.agreements import operations as agreements
from rentals.agreements.models import Agreement, AgreementUnit, NightSignUp, UnitPromise
from rentals.counter.nights.intake import operations
from rentals.counter.nights.intake.envelope import read_envelope
from rentals.families.models import Household
from rentals.runtime.locks import RowsBusyError
from tests.counter.nights.tablets import ADULT, FAMILY, Tablet, open_night

pytestmark = pytest.mark.django_db(transaction=True)
MANY = 20


def sender(night, sent):
    now, person = timezone.now(), night.staff.get().user
    return lambda: operations.take_in(envelope=read_envelope(sent), night=night, acting_user=person, now=now, today=night.on)


def other_family(tablet, tag):
    return tablet.envelope(
        tag,
        household={**FAMILY, "name": "Other", "street": "2 Elm"},
        guardian={**ADULT, "family_name": "Other", "phone": "+13125550143", "email": ""},
    )


def again_until_kept(night, sent, outcome):
    """A tablet that is told to come again later does."""
    return sender(night, sent)() if isinstance(outcome, RowsBusyError) else outcome


def test_twenty_at_once_of_one_envelope_make_one_agreement(race):
    night = open_night("CL-1", "CL-2")
    sent = Tablet(night).envelope("CL-1")
    outcomes = [again_until_kept(night, sent, each) for each in race(*(sender(night, sent) for _ in range(MANY)))]
    assert {(each.pk, each.state, each.agreement_id) for each in outcomes} == {
        (NightSignUp.objects.get().pk, "arrived", Agreement.objects.get().pk)
    }
    assert (Household.objects.count(), Payment.objects.count(), AgreementUnit.objects.count()) == (1, 1, 1)


def test_of_two_tablets_with_one_instrument_one_has_it_and_one_is_promised(race):
    night = open_night("CL-1", "CL-2")
    both = [Tablet(night).envelope("CL-1"), other_family(Tablet(night), "CL-1")]
    outcomes = race(*(sender(night, sent) for sent in both))
    kept = [again_until_kept(night, sent, outcome) for sent, outcome in zip(both, outcomes, strict=True)]
    assert [each.state for each in kept] == ["arrived", "arrived"]
    one_has_it_and_one_is_promised()


def one_has_it_and_one_is_promised():
    unit, promise = AgreementUnit.objects.get(), UnitPromise.objects.get()
    assert unit.instrument.asset_tag == promise.promised.asset_tag == "CL-1"
    assert {unit.agreement_id, promise.agreement_id} == set(Agreement.objects.values_list("pk", flat=True))
    assert Payment.objects.count() == 2


def test_without_the_locks_only_the_constraint_is_left(race, monkeypatch):
    """The twin: nobody waits for the night or the instrument, and both find it free. The database lets one have it all the same.

    What the other meets is no longer always a promise: that is what the locks are for.
    """
    monkeypatch.setattr(operations.locks, "lock_one", lambda rows, **_: rows.get())
    monkeypatch.setattr(operations.locks, "lock_rows", lambda *sets, **_: [list(each) for each in sets])
    monkeypatch.setattr(agreements, "check_available", lambda *_, **__: None)
    night = open_night("CL-1", "CL-2")
    both = [Tablet(night).envelope("CL-1"), other_family(Tablet(night), "CL-1")]
    outcomes = race(*(sender(night, sent) for sent in both))
    assert AgreementUnit.objects.filter(ended_at=None).count() == 1
    arrived = [each for each in outcomes if isinstance(each, NightSignUp)]
    assert arrived
    assert Agreement.objects.count() == Payment.objects.count() == sum(each.agreement_id is not None for each in arrived)
