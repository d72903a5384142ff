"""Signing, ending, exchanging and lending: what becomes true, what is refused, and what happens when it is sent twice."""

import dataclasses
import datetime
import uuid
from decimal import Decimal

import pytest

from rentals.agreements import errors, operations, queries, wording
from rentals.agreements.models import Agreement, AgreementUnit, Signature
from rentals.documents.models import Document, OutboxMessage
from rentals.families.models import Consent
from rentals.inventory import queries as fleet
from rentals.inventory.models import Custody
from tests.agreements.factories import OfficeFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.factories import SpecialistFactory
from tests.families.factories import HouseholdFactory, StudentFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory, ProductFactory
from tests.schools.factories import ProgrammeFactory

TODAY = datetime.date(2026, 1, 31)
NOW = datetime.datetime(2026, 1, 31, 17, 0, tzinfo=datetime.UTC)
LATER = NOW + datetime.timedelta(days=40)

pytestmark = pytest.mark.django_db


def world() -> None:
    """The shop, its tax area, its plan and the price of a clarinet."""
    OfficeFactory()
    TaxAreaFactory()
    PlanVersionFactory()
    RateFactory(kind=CatalogueItemFactory().kind)


def a_signup(**changes) -> operations.SignUp:
    """A sign-up as the counter would send it."""
    household = changes.pop("household", None) or HouseholdFactory()
    fields = {
        "request_key": uuid.uuid4(),
        "household": household,
        "guardian": household.guardians.get(),
        "student": StudentFactory(household=household),
        "programme": ProgrammeFactory(),
        "instrument": changes.get("instrument") or InstrumentFactory(),
        "plan_version": queries.get_current_plan_version("school-year"),
        "protection": True,
        "goods": ((ProductFactory(price="24.50"), 2),),
        "received_at": "counter",
        "starts_on": TODAY,
        "signature": operations.SignatureGiven("Alex Sample", "typed", wording.consent_wording()),
    }
    return operations.SignUp(**{**fields, **changes})


def sign(signup: operations.SignUp, **options) -> Agreement:
    return operations.sign_agreement(
        signup=signup, acting_user=options.pop("by", None) or SpecialistFactory(), now=NOW, today=TODAY, **options
    )


class TestSignAgreement:
    @pytest.fixture(autouse=True)
    def _world(self):
        world()

    def test_writes_down_the_prices_of_the_day_and_gives_out_the_instrument(self):
        signup = a_signup()
        made = sign(signup)
        assert made.number == "A-000001"
        assert (made.monthly_rent.amount, made.monthly_protection.amount) == (Decimal("30.00"), Decimal("5.00"))
        assert made.purchase_price.amount == Decimal("900.00")
        assert made.tax_area.code == "springdale"
        assert [(unit.instrument, unit.role, unit.ended_at) for unit in made.units.all()] == [(signup.instrument, "rented", None)]
        assert fleet.get_whereabouts(signup.instrument).custody.household == signup.household
        assert [(line.quantity, line.unit_price.amount) for line in made.goods.all()] == [(2, Decimal("24.50"))]

    def test_keeps_signature_consent_and_the_fingerprint_of_the_text(self):
        signup = a_signup()
        made = sign(signup)
        kept = Signature.objects.get(agreement=made)
        document = Document.objects.get(about=f"agreement/{made.pk}")
        terms = document.payload["page"]["terms"]
        import hashlib

        assert kept.text_sha256 == hashlib.sha256(terms.encode()).hexdigest() == document.payload["page"]["terms_sha256"]
        assert kept.consent.wording == wording.consent_wording()
        assert (kept.signer_name, kept.method) == ("Alex Sample", "typed")

    def test_asks_for_the_document_and_mails_it(self):
        made = sign(a_signup())
        message = OutboxMessage.objects.get(about=f"agreement/{made.pk}")
        assert (message.channel, message.document.state) == ("mail", "waiting")

    def test_mails_it_in_the_familys_language_whatever_was_spoken_at_the_counter(self):
        made = sign(a_signup(household=HouseholdFactory(language="es")))
        message = OutboxMessage.objects.get(about=f"agreement/{made.pk}")
        assert (message.language, message.subject) == ("es", f"Su contrato de alquiler {made.number}")
        assert message.body.startswith("Hola, ")
        assert "Dear" not in message.body

    def test_sends_a_letter_where_there_is_no_mail_address(self):
        household = HouseholdFactory(guardian__email="")
        made = sign(a_signup(household=household))
        message = OutboxMessage.objects.get(about=f"agreement/{made.pk}")
        assert message.channel == "letter"
        assert household.street in message.to_address

    def test_sent_again_gives_the_same_agreement_and_makes_nothing(self):
        signup, user = a_signup(), SpecialistFactory()
        first = sign(signup, by=user)
        assert sign(signup, by=user) == first
        assert Agreement.objects.count() == AgreementUnit.objects.count() == Document.objects.count() == 1

    def test_takes_the_consent_once_for_a_family(self):
        household = HouseholdFactory()
        sign(a_signup(household=household))
        sign(a_signup(household=household))
        assert Consent.objects.count() == 1

    def test_refuses_an_instrument_already_out_and_names_holder_and_next(self):
        first = a_signup()
        held = sign(first)
        other = InstrumentFactory(item=first.instrument.item)
        with pytest.raises(errors.InstrumentTakenError) as caught:
            sign(a_signup(instrument=first.instrument))
        assert caught.value.holder == held
        assert caught.value.next_like_it == other
        for words in (held.number, first.household.name, other.asset_tag, first.instrument.asset_tag):
            assert words in str(caught.value)

    @pytest.mark.parametrize(("place", "words"), [("bench", "in the shop"), ("lost", "lost")])
    def test_refuses_an_instrument_that_is_not_on_a_shelf(self, place, words):
        instrument = InstrumentFactory(place=place)
        with pytest.raises(errors.InstrumentNotAvailableError, match=words):
            sign(a_signup(instrument=instrument))
        assert not Agreement.objects.exists()

    def test_refuses_a_text_that_is_no_longer_what_was_shown(self):
        with pytest.raises(errors.TermsChangedError):
            sign(dataclasses.replace(a_signup(), shown_sha256="0" * 64))

    def test_refuses_a_student_of_another_household(self):
        with pytest.raises(errors.NotOfThisHouseholdError):
            sign(a_signup(student=StudentFactory()))

    def test_refuses_to_start_in_the_future(self):
        with pytest.raises(errors.StartsLaterError):
            sign(a_signup(starts_on=TODAY + datetime.timedelta(days=1)))

    @pytest.mark.parametrize(("received_at", "area"), [("counter", "springdale"), ("home", "hills"), ("school", "valley")])
    def test_is_taxed_where_the_instrument_is_received(self, received_at, area):
        TaxAreaFactory(code="hills", name="Hills", postal_codes=["61001"])
        TaxAreaFactory(code="valley", name="Valley", postal_codes=["61002"])
        signup = a_signup(
            household=HouseholdFactory(postal_code="61001-1234"),
            programme=ProgrammeFactory(school__postal_code="61002"),
            received_at=received_at,
        )
        assert sign(signup).tax_area_id == area


class TestEndAgreement:
    @pytest.fixture(autouse=True)
    def _world(self):
        world()

    def end(self, agreement: Agreement, reason: str, **options) -> Agreement:
        fields = {"ended_on": LATER.date(), "acting_user": SpecialistFactory(), "now": LATER, **options}
        return operations.end_agreement(agreement=agreement, reason=reason, **fields)

    @pytest.mark.parametrize(
        ("reason", "place"), [("returned", "shelf"), ("bought", "sold"), ("lost", "lost"), ("written_off", "lost")]
    )
    def test_takes_the_instrument_off_and_puts_it_where_it_belongs(self, reason, place):
        signup = a_signup()
        ended = self.end(sign(signup), reason, location=LocationFactory())
        assert (ended.ended_on, ended.end_reason) == (LATER.date(), reason)
        assert ended.units.get().ended_at == LATER
        assert fleet.get_whereabouts(signup.instrument).place == place

    def test_leaves_an_instrument_that_is_at_the_shop_where_it_is(self):
        signup = a_signup()
        made = sign(signup)
        Custody.objects.filter(instrument=signup.instrument, ended_at=None).update(ended_at=NOW)
        Custody.objects.create(
            instrument=signup.instrument,
            place="bench",
            location=LocationFactory(),
            began_at=NOW,
            reason="In",
            moved_by=SpecialistFactory(),
        )
        self.end(made, "returned")
        assert fleet.get_whereabouts(signup.instrument).place == "bench"

    def test_asks_where_the_instrument_came_back(self):
        made = sign(a_signup())
        with pytest.raises(errors.NoPlaceToReturnError):
            self.end(made, "returned")

    def test_ends_once(self):
        made = sign(a_signup())
        self.end(made, "lost")
        with pytest.raises(errors.AgreementEndedError, match="lost"):
            self.end(made, "returned", location=LocationFactory())

    def test_cannot_end_before_it_began(self):
        with pytest.raises(errors.EndsBeforeItBeganError):
            self.end(sign(a_signup()), "lost", ended_on=TODAY - datetime.timedelta(days=1))

    def test_the_instrument_can_be_rented_again(self):
        signup = a_signup()
        self.end(sign(signup), "returned", location=LocationFactory())
        again = operations.sign_agreement(
            signup=a_signup(instrument=signup.instrument, starts_on=LATER.date()),
            acting_user=SpecialistFactory(),
            now=LATER + datetime.timedelta(hours=1),
            today=LATER.date(),
        )
        assert again.units.get().instrument == signup.instrument


class TestExchangeAgreement:
    @pytest.fixture(autouse=True)
    def _world(self):
        world()

    def test_ends_the_old_one_and_the_new_one_follows(self):
        signup, user = a_signup(), SpecialistFactory()
        old = sign(signup)
        new_signup = a_signup(household=signup.household, student=signup.student, goods=(), starts_on=LATER.date())
        call = {
            "agreement": old,
            "signup": new_signup,
            "location": LocationFactory(),
            "acting_user": user,
            "now": LATER,
            "today": LATER.date(),
        }
        new = operations.exchange_agreement(**call)
        old.refresh_from_db()
        assert (old.end_reason, new.follows) == ("exchanged", old)
        assert [each.pk for each in queries.list_chain(new)] == [new.pk, old.pk]
        assert operations.exchange_agreement(**call) == new
        assert Agreement.objects.count() == 2


class TestLoaner:
    @pytest.fixture(autouse=True)
    def _world(self):
        world()

    def test_goes_out_and_comes_back(self):
        signup, loaner, user = a_signup(), InstrumentFactory(), SpecialistFactory()
        made = sign(signup)
        operations.assign_loaner(agreement=made, instrument=loaner, acting_user=user, now=LATER)
        assert fleet.get_whereabouts(loaner).custody.household == signup.household
        back = operations.return_loaner(
            agreement=made, location=LocationFactory(), acting_user=user, now=LATER + datetime.timedelta(days=2)
        )
        assert (back.instrument, back.ended_at) == (loaner, LATER + datetime.timedelta(days=2))
        assert fleet.get_whereabouts(loaner).place == "shelf"

    def test_is_one_at_a_time(self):
        made, user = sign(a_signup()), SpecialistFactory()
        operations.assign_loaner(agreement=made, instrument=InstrumentFactory(), acting_user=user, now=LATER)
        with pytest.raises(errors.LoanerOutError):
            operations.assign_loaner(agreement=made, instrument=InstrumentFactory(), acting_user=user, now=LATER)

    def test_is_not_what_another_family_has(self):
        taken = a_signup()
        sign(taken)
        with pytest.raises(errors.InstrumentTakenError):
            operations.assign_loaner(
                agreement=sign(a_signup()), instrument=taken.instrument, acting_user=SpecialistFactory(), now=LATER
            )

    def test_cannot_come_back_when_none_is_out(self):
        with pytest.raises(errors.NoLoanerOutError):
            operations.return_loaner(
                agreement=sign(a_signup()), location=LocationFactory(), acting_user=SpecialistFactory(), now=LATER
            )
