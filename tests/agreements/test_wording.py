"""What an agreement must say. Source of the list: what rental-purchase statutes commonly ask to be disclosed
(42 Pa.C.S. 6903; Iowa Code 537.3605; Kan. Stat. 50-684; Conn. Gen. Stat. 42-241; N.H. RSA 358-P:4).
For the consent: 15 USC 7001(c).
"""

from decimal import Decimal

import pytest

from rentals.agreements import operations, queries, wording
from tests.agreements.factories import PlanFactory, PlanVersionFactory, TaxAreaFactory
from tests.agreements.test_operations import NOW, TODAY, a_signup, world
from tests.factories import SpecialistFactory
from tests.inventory.factories import InstrumentFactory

pytestmark = pytest.mark.django_db


def text_of(**changes) -> str:
    world()
    signup = a_signup(**changes)
    quote = queries.quote(
        household_id=signup.household.pk,
        instrument=signup.instrument,
        plan_version=signup.plan_version,
        protection=signup.protection,
        goods=signup.goods,
        tax_area=queries.get_tax_area(""),
        starts_on=signup.starts_on,
    )
    return wording.plain_text(wording.agreement_sections(quote, operations.parties_of(signup, signup.instrument)))


class TestAgreementText:
    @pytest.mark.parametrize(
        ("duty", "words"),
        [
            ("description", "Asset tag"),
            ("new or used", "It has been used before"),
            ("initial payment", "Due when you sign: $90.93"),
            ("amount and timing of payments", "each month, the first time on Feb 28, 2026: $37.89"),
            ("number and total of payments to own", "After 30 payments of rent the instrument is yours, the last of them due on"),
            ("each payment to own", "due on Jun 30, 2028: 30 of $32.48, with tax"),
            ("total to own", "Total cost to own: $974.40"),
            ("cash price", "Cash price, tax included: $974.25"),
            ("cost of the rental service", "costs over the cash price: $0.15"),
            ("every other charge", "There is no other charge than those named"),
            ("not owned until paid", "You do not own the instrument until"),
            ("who bears loss", "you answer for it, up to $850.00"),
            ("who maintains", "The shop keeps the instrument in playing order"),
            ("right to end", "You may end this agreement on any day, without penalty"),
            ("right to reinstate", "take this agreement up again within 60 days"),
            ("early purchase", "If you buy early, 25% of what remains is taken off"),
            ("protection is optional", "Protection is optional: you may drop it"),
            ("protection is no insurance", "It is not insurance"),
            ("late fee", "There is no late fee"),
            ("missing parts", "Parts that are missing when the instrument comes back"),
            ("part month", "The month in which it comes back is owed whole, and nothing after it"),
            ("credit after a return", "your credit ends, unless you take this agreement up again"),
        ],
    )
    def test_says(self, duty, words):
        # Rent 30.00 + 2.48, protection 5.00 + 0.41, two at 24.50 = 49.00 + 4.04; clarinet 900.00 + 74.25.
        assert words in text_of(), duty

    @pytest.mark.parametrize(
        ("setting", "words"),
        [
            ({"late_fee": Decimal(5)}, "a late fee of $5.00 may be charged, once for that month. No interest is ever charged"),
            ({"deductible": Decimal(75)}, "you pay at most $75.00 of it, the deductible"),
            ({"cleaning_worth": Decimal(150)}, "work worth up to $150.00, at no charge"),
            ({"protection_required": True}, "This plan requires protection: it stays for as long as you rent"),
            ({"protection_required": True}, "Protection is in these figures, because this plan requires it"),
            ({"part_month": "days"}, "you owe only the days until then"),
            ({"minimum_term": "school_year"}, "rent is owed through May 31, 2026"),
            ({"credit_lives_months": 6}, "your credit stays for 6 months"),
            ({"step_up_share": Decimal("0.6")}, "and 60% toward a better one"),
            ({"intro_months": 3}, "Rent, first 3 months $90.00"),
            ({"due_day": 15}, "Rent, 15 of 28 days $16.07"),
            ({"intro_months": 3, "due_day": 15}, "Then on Apr 30, 2026, for 15 of 31 days: $18.34."),
            ({"intro_months": 3, "due_day": 15}, "1 of $97.43, 1 of $15.72, 27 of $32.48, with tax"),
        ],
    )
    def test_says_what_the_plan_sets(self, setting, words):
        world()
        version = PlanVersionFactory(plan=PlanFactory(code="other", name="Other"), **setting)
        assert words in text_of(plan_version=version)

    def test_says_no_penalty_only_without_a_minimum_term(self):
        world()
        version = PlanVersionFactory(plan=PlanFactory(code="other", name="Other"), minimum_term="school_year")
        assert "without penalty" not in text_of(plan_version=version)

    def test_says_when_it_is_new(self):
        assert "It is new." in text_of(instrument=InstrumentFactory(grade="new"))

    def test_says_that_rent_alone_never_owns_it_where_that_is_so(self):
        TaxAreaFactory()
        version = PlanVersionFactory(plan=PlanFactory(code="half", name="Half"), credit_cap=Decimal("0.5"))
        text = text_of(plan_version=version)
        assert "Rent alone does not make the instrument yours" in text
        assert "Total cost to own" not in text

    def test_is_the_same_for_the_same_and_another_for_another(self):
        world()
        signup = a_signup()
        made = operations.sign_agreement(signup=signup, acting_user=SpecialistFactory(), now=NOW, today=TODAY)
        other = operations.sign_agreement(
            signup=a_signup(protection=False), acting_user=SpecialistFactory(), now=NOW, today=TODAY
        )
        assert made.signature.text_sha256 != other.signature.text_sha256


class TestConsentWording:
    @pytest.mark.parametrize(
        "words",
        [
            "on paper instead, without charge",
            "take this consent back",
            "covers this agreement",
            "need a device",
            "address changes",
        ],
    )
    def test_says_what_the_act_asks_to_be_told(self, words):
        assert words in wording.consent_wording()
