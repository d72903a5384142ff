"""Signing a family up at the counter, screen by screen."""

import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from billing import queries as billing
from billing.models import Charge, Payment
from rentals.agreements.models import Agreement, SignUpDraft
from rentals.documents.models import Document
from rentals.families.models import Student
from tests.agreements.factories import OfficeFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, ProductFactory, kind
from tests.schools.factories import ProgrammeFactory, RequiredItemFactory

pytestmark = pytest.mark.django_db

SIGNING = {"signer_name": "Alex Sample", "consent": "on", "method": "cash", "cheque_number": "", "strokes": "", "shown": ""}


@pytest.fixture
def shop():
    """A shop with a tax area, a plan, prices for clarinets and violins, and one of each on the shelf."""
    OfficeFactory()
    TaxAreaFactory()
    PlanVersionFactory()
    for code in ("clarinet", "violin"):
        RateFactory(kind=kind(code))
    InstrumentFactory(asset_tag="CL-1001", item=CatalogueItemFactory(kind_code="clarinet"))
    InstrumentFactory(asset_tag="VN-1002", item=CatalogueItemFactory(kind_code="violin", size="1/2"))


@pytest.fixture
def client(client_as, shop):
    return client_as("specialist")


def begin(client, household=None) -> SignUpDraft:
    household = household or HouseholdFactory(name="Sample")
    client.post(reverse("signup_begin"), {"household": household.pk})
    return SignUpDraft.objects.filter(user=client.user).latest("updated_at")


def answers(programme, **changes) -> dict[str, str]:
    plain = {
        "student": "new",
        "given_name": "Sky",
        "family_name": "Sample",
        "grade": "5",
        "programme": str(programme.pk),
        "kind": "clarinet",
        "tier": "beginner",
        "protection": "yes",
        "received_at": "counter",
        "tag": "CL-1001",
        "goods_for": f"{programme.pk}:clarinet",
    }
    return {name: value for name, value in {**plain, **changes}.items() if value is not None}


class TestStart:
    def test_finds_a_family_by_the_last_digits_of_its_telephone(self, client):
        household = HouseholdFactory(name="Lindqvist", guardian__phone="+13125550142")
        page = client.get(reverse("signup"), {"q": "0142"})
        assert household.number in page.content.decode()

    def test_lists_only_my_own_unfinished_sign_ups(self, client, client_as):
        mine, other = begin(client), begin(client_as("specialist"), HouseholdFactory(name="Otherly"))
        page = client.get(reverse("signup")).content.decode()
        assert reverse("signup_sheet", args=[mine.pk]) in page
        assert "Otherly" not in page
        assert client.get(reverse("signup_sheet", args=[other.pk])).status_code == 404

    def test_takes_at_most_twelve_queries(self, client, django_assert_max_num_queries):
        begin(client)
        with django_assert_max_num_queries(12):
            client.get(reverse("signup"), {"q": "Sample"})


class TestNewFamily:
    FORM = {
        "given_name": "Alex",
        "family_name": "Sample",
        "phone": "(312) 555-0142",
        "email": "alex@example.com",
        "street": "1 Orchard Lane",
        "city": "Springdale",
        "state": "IL",
        "postal_code": "62704",
        "language": "en",
    }

    def test_goes_on_to_the_sheet_with_nothing_asked_twice(self, client):
        answer = client.post(reverse("signup_new_family"), {**self.FORM, "request_key": uuid.uuid4()})
        draft = SignUpDraft.objects.get()
        assert answer.url == reverse("signup_sheet", args=[draft.pk])
        assert draft.household.guardians.get().phone == "+13125550142"

    def test_offers_a_likely_duplicate_and_creates_nothing(self, client):
        HouseholdFactory(name="Sample", guardian__phone="+13125550142")
        answer = client.post(reverse("signup_new_family"), {**self.FORM, "request_key": uuid.uuid4()})
        assert answer.status_code == 409
        assert not SignUpDraft.objects.exists()
        assert "Take this one" in answer.content.decode()

    def test_keeps_what_was_typed_when_something_is_missing(self, client):
        answer = client.post(reverse("signup_new_family"), {**self.FORM, "street": "", "request_key": uuid.uuid4()})
        assert answer.status_code == 422
        assert "alex@example.com" in answer.content.decode()


class TestSheet:
    def test_ticks_the_schools_list_in_advance(self, client):
        asked = RequiredItemFactory(kind=kind("clarinet"), product=ProductFactory(name="Cork grease"), quantity=2)
        draft = begin(client)
        sent = answers(asked.programme, goods_for="")
        page = client.post(reverse("signup_panel", args=[draft.pk]), sent, headers={"HX-Request": "true"}).content.decode()
        assert "Cork grease" in page
        assert f'name="goods_{asked.product_id}" id="id_goods_{asked.product_id}" checked' in page
        assert 'value="2"' in page

    def test_ticks_one_of_several_alternatives_and_tells_what_others_sell(self, client):
        first = RequiredItemFactory(kind=kind("clarinet"), product=ProductFactory(name="Book A"), choice=1)
        second = RequiredItemFactory(
            programme=first.programme, kind=kind("clarinet"), product=ProductFactory(name="Book B"), choice=1
        )
        RequiredItemFactory(programme=first.programme, kind=kind("clarinet"), words="Band shirt", sold_by="school")
        sent = answers(first.programme, goods_for="")
        page = client.post(reverse("signup_panel", args=[begin(client).pk]), sent, headers={"HX-Request": "true"}).text
        assert f'id="id_goods_{first.product_id}" checked' in page
        assert f'id="id_goods_{second.product_id}">' in page
        assert "Band shirt" in page
        assert "The school sells it" in page

    def test_keeps_an_unticked_product_unticked(self, client):
        asked = RequiredItemFactory(kind=kind("clarinet"), product=ProductFactory(name="Cork grease"))
        draft = begin(client)
        client.post(reverse("signup_panel", args=[draft.pk]), answers(asked.programme), headers={"HX-Request": "true"})
        page = client.get(reverse("signup_sheet", args=[draft.pk])).content.decode()
        assert f'id="id_goods_{asked.product_id}">' in page

    def test_shows_the_list_before_it_lets_anyone_go_on(self, client):
        asked = RequiredItemFactory(kind=kind("clarinet"), product=ProductFactory())
        draft = begin(client)
        answer = client.post(
            reverse("signup_sheet", args=[draft.pk]), {**answers(asked.programme, goods_for=""), "review": "yes"}
        )
        assert answer.status_code == 422
        assert "look through it" in answer.content.decode()

    def test_proposes_a_size_by_the_arm_and_says_why(self, client):
        draft = begin(client)
        sent = answers(ProgrammeFactory(), kind="violin", arm="21", size="", tag=None)
        page = client.post(reverse("signup_panel", args=[draft.pk]), sent, headers={"HX-Request": "true"}).content.decode()
        draft.refresh_from_db()
        assert draft.data["size"] == "1/2"
        assert "Proposed: 1/2" in page
        assert "20.375" in page

    def test_leaves_a_size_chosen_by_hand_alone(self, client):
        draft = begin(client)
        first = answers(ProgrammeFactory(), kind="violin", arm="21", size="", tag=None)
        client.post(reverse("signup_panel", args=[draft.pk]), first, headers={"HX-Request": "true"})
        client.post(reverse("signup_panel", args=[draft.pk]), {**first, "size": "3/4"}, headers={"HX-Request": "true"})
        client.post(
            reverse("signup_panel", args=[draft.pk]), {**first, "size": "3/4", "arm": "21.5"}, headers={"HX-Request": "true"}
        )
        draft.refresh_from_db()
        assert draft.data["size"] == "3/4"

    @pytest.mark.parametrize(
        ("tag", "words"),
        [
            ("CL-1010", "No instrument has the tag CL-1010"),
            ("VN-1002", "VN-1002 is a violin 1/2"),
            ("", "Scan or type the instrument"),
        ],
    )
    def test_explains_a_near_miss(self, client, tag, words):
        draft = begin(client)
        answer = client.post(reverse("signup_sheet", args=[draft.pk]), answers(ProgrammeFactory(), tag=tag))
        assert answer.status_code == 422
        assert words in answer.content.decode()

    def test_a_chosen_tag_is_put_into_the_field(self, client):
        draft = begin(client)
        sent = {**answers(ProgrammeFactory(), tag=""), "take": "CL-1001"}
        page = client.post(reverse("signup_panel", args=[draft.pk]), sent, headers={"HX-Request": "true"}).content.decode()
        assert 'id="part-tag"' in page
        assert 'value="CL-1001"' in page

    def test_sends_no_field_that_somebody_may_be_typing_in(self, client):
        draft = begin(client)
        sent = answers(ProgrammeFactory())
        client.post(reverse("signup_panel", args=[draft.pk]), sent, headers={"HX-Request": "true"})
        page = client.post(
            reverse("signup_panel", args=[draft.pk]), {**sent, "received_at": "home"}, headers={"HX-Request": "true"}
        ).content.decode()
        assert 'id="part-price"' in page
        assert "<input" not in page

    def test_keeps_everything_when_sent_empty(self, client):
        draft = begin(client)
        answer = client.post(reverse("signup_sheet", args=[draft.pk]), {"given_name": "Sky", "student": "new"})
        page = answer.content.decode()
        assert answer.status_code == 422
        assert 'value="Sky"' in page
        assert "Error:" in page
        assert 'id="error-summary"' in page

    def test_shows_at_most_twelve_fields_before_the_optional_parts(self, client):
        draft = begin(client)
        client.post(reverse("signup_panel", args=[draft.pk]), answers(ProgrammeFactory(), kind="violin", tag=None))
        form = client.get(reverse("signup_sheet", args=[draft.pk])).context["form"]
        assert len([field for field in form.visible_fields() if not field.name.startswith(("goods_", "quantity_"))]) <= 12

    def test_takes_at_most_twelve_queries_with_a_list_and_a_price(self, client, django_assert_max_num_queries):
        asked = RequiredItemFactory(kind=kind("clarinet"), product=ProductFactory())
        draft = begin(client)
        client.post(reverse("signup_panel", args=[draft.pk]), answers(asked.programme))
        with django_assert_max_num_queries(12):
            client.get(reverse("signup_sheet", args=[draft.pk]))


class TestReview:
    @pytest.fixture
    def asked(self):
        return RequiredItemFactory(kind=kind("clarinet"), product=ProductFactory(name="Cork grease", price="10.00"))

    def fill(self, client, asked, **changes) -> SignUpDraft:
        draft = begin(client, changes.pop("household", None))
        product = asked.product_id
        sent = answers(asked.programme, **{f"goods_{product}": "on", f"quantity_{product}": "2", **changes})
        answer = client.post(reverse("signup_sheet", args=[draft.pk]), {**sent, "review": "yes"})
        assert answer.url == reverse("signup_review", args=[draft.pk]), answer.content.decode()
        return draft

    def sign(self, client, draft, **changes):
        page = client.get(reverse("signup_review", args=[draft.pk]))
        due = page.context["order"].quote.due_today
        return client.post(
            reverse("signup_review", args=[draft.pk]),
            {**SIGNING, "amount": str(due), "shown": page.context["order"].sha256, **changes},
        )

    def test_signs_bills_and_takes_the_payment_at_once(self, client, asked):
        draft = self.fill(client, asked)
        answer = self.sign(client, draft)
        assert answer.url == reverse("signup_done", args=[draft.pk])
        agreement = Agreement.objects.get()
        # 30.00 + 2.48 rent, 5.00 + 0.41 protection, 20.00 + 1.65 goods
        assert Payment.objects.get().amount == Decimal("59.54")
        assert sorted(charge.kind for charge in Charge.objects.all()) == ["rent", "sale"]
        assert billing.sum_balance(agreement.household_id) == 0
        assert billing.sum_rental_credit(agreement.pk).credit == Decimal("30.00")
        assert Student.objects.get().programme == asked.programme
        assert Document.objects.get().state == "waiting"

    def test_what_the_text_says_is_due_is_what_is_billed(self, client, asked):
        draft = self.fill(client, asked)
        text = client.get(reverse("signup_review", args=[draft.pk])).content.decode()
        self.sign(client, draft)
        billed = sum(line.amount for charge in Charge.objects.all() for line in charge.lines.all())
        assert f"Due when you sign: ${billed}" in text

    def test_sent_twice_makes_nothing_again_and_says_so(self, client, asked):
        draft = self.fill(client, asked)
        self.sign(client, draft)
        again = client.post(reverse("signup_review", args=[draft.pk]), {**SIGNING, "amount": "1.00"}, follow=True)
        assert "signed already" in again.content.decode()
        assert Agreement.objects.count() == Payment.objects.count() == 1

    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"signer_name": ""}, "Let the guardian sign"),
            ({"consent": ""}, "agrees to electronic records"),
            ({"method": "cheque"}, "check&#x27;s number"),
            ({"method": ""}, "Choose how the family pays"),
            ({"amount": "10"}, "is due today"),
            ({"amount": "lots"}, "in digits"),
            ({"strokes": "<svg>"}, "did not arrive whole"),
        ],
    )
    def test_says_what_is_missing_and_keeps_the_rest(self, client, asked, changes, words):
        draft = self.fill(client, asked)
        answer = self.sign(client, draft, **changes)
        assert answer.status_code == 422
        assert words in answer.content.decode()
        assert not Agreement.objects.exists()

    def test_takes_a_drawn_signature_without_a_typed_name(self, client, asked):
        self.sign(client, self.fill(client, asked), signer_name="", strokes="M40 60L44 58L90 80")
        signature = Agreement.objects.get().signature
        assert (signature.method, signature.signer_name) == ("drawn", str(signature.agreement.guardian))

    def test_lets_a_manager_take_less(self, client_as, shop, asked):
        manager = client_as("manager")
        self.sign(manager, self.fill(manager, asked), amount="0")
        agreement = Agreement.objects.get()
        assert not Payment.objects.exists()
        assert billing.sum_balance(agreement.household_id) == Decimal("59.54")

    def test_tells_the_second_who_has_the_instrument_and_offers_the_next(self, client, client_as, asked):
        spare = InstrumentFactory(asset_tag="CL-1003", item__kind=kind("clarinet"))
        first, second = self.fill(client, asked), self.fill(client_as("specialist"), asked, household=HouseholdFactory())
        other = client_as(second.user)
        shown = other.get(reverse("signup_review", args=[second.pk])).context["order"]
        self.sign(client, first)
        answer = other.post(reverse("signup_review", args=[second.pk]), {**SIGNING, "amount": "59.54", "shown": shown.sha256})
        page = answer.content.decode()
        assert answer.status_code == 409
        assert Agreement.objects.get().number in page
        assert f"Take {spare.asset_tag} and review again" in page
        instead = other.post(reverse("signup_take_instead", args=[second.pk]), {"tag": spare.asset_tag}, follow=True)
        assert spare.asset_tag in instead.content.decode()
        assert instead.context["order"].signup.instrument == spare
        assert Agreement.objects.count() == Payment.objects.count() == 1

    def test_shows_the_new_text_when_a_price_changed_meanwhile(self, client, asked):
        draft = self.fill(client, asked)
        page = client.get(reverse("signup_review", args=[draft.pk]))
        asked.product.price = Decimal("12.00")
        asked.product.save()
        answer = client.post(
            reverse("signup_review", args=[draft.pk]),
            {**SIGNING, "amount": "100", "shown": page.context["order"].sha256},
        )
        assert answer.status_code == 409
        assert "changed since it was shown" in answer.content.decode()
        assert not Agreement.objects.exists()

    def test_takes_at_most_fourteen_queries(self, client, asked, django_assert_max_num_queries):
        draft = self.fill(client, asked)
        with django_assert_max_num_queries(14):
            client.get(reverse("signup_review", args=[draft.pk]))


class TestDone:
    def test_offers_the_next_student_with_nothing_typed_again(self, client):
        household = HouseholdFactory(name="Sample")
        asked = RequiredItemFactory(kind=kind("clarinet"), product=ProductFactory())
        draft = TestReview().fill(client, asked, household=household)
        TestReview().sign(client, draft)
        page = client.get(reverse("signup_done", args=[draft.pk])).content.decode()
        assert "Sign another student of this family" in page
        client.post(
            reverse("signup_begin"),
            {"household": household.pk, "another": "yes", "programme": asked.programme_id, "received_at": "counter"},
        )
        fresh = SignUpDraft.objects.exclude(pk=draft.pk).get()
        kept = {"programme": str(asked.programme_id), "received_at": "counter"}
        assert fresh.data == {"student": "new", "family_name": "Sample", "tier": "beginner", **kept}


class TestAgreementPages:
    def test_show_the_agreement_its_credit_and_its_price(self, client):
        asked = RequiredItemFactory(kind=kind("clarinet"), product=ProductFactory())
        TestReview().sign(client, TestReview().fill(client, asked))
        agreement = Agreement.objects.get()
        page = client.get(reverse("agreement", args=[agreement.pk])).content.decode()
        # 900.00 - 30.00 credit = 870.00; a quarter off is 652.50; 8.25 % tax is 53.83
        assert "$706.33" in page
        listed = client.get(reverse("agreements"), {"q": "CL-1001"}).content.decode()
        assert agreement.number in listed

    def test_take_few_queries(self, client, django_assert_max_num_queries):
        asked = RequiredItemFactory(kind=kind("clarinet"), product=ProductFactory())
        TestReview().sign(client, TestReview().fill(client, asked))
        with django_assert_max_num_queries(17):
            client.get(reverse("agreement", args=[Agreement.objects.get().pk]))
        with django_assert_max_num_queries(12):
            client.get(reverse("agreements"))
