"""A plan's versions: drafts that the manager changes beside a living example, and published ones that are only ever followed."""

import datetime
from dataclasses import replace
from decimal import Decimal

import psycopg
import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction
from django.urls import reverse

from rentals.agreements import plan_words, plans, queries
from rentals.agreements.models import PlanVersion
from rentals.runtime.money import money
from tests.agreements.factories import (
    AgreementFactory,
    OfficeFactory,
    PlanFactory,
    PlanVersionFactory,
    RateFactory,
    TaxAreaFactory,
)
from tests.factories import ManagerFactory, SpecialistFactory
from tests.inventory.factories import CatalogueItemFactory, kind

pytestmark = pytest.mark.django_db

NOW = datetime.datetime(2026, 1, 31, 17, 0, tzinfo=datetime.UTC)


def save(plan, terms, seen="", by=None):
    return plans.save_draft(plan=plan, terms=terms, seen=seen, acting_user=by or ManagerFactory())


def publish(plan, draft, seen=None):
    seen = plans.fingerprint(draft) if seen is None else seen
    return plans.publish_draft(plan=plan, seen=seen, acting_user=ManagerFactory(), now=NOW)


class TestSaveDraft:
    def test_begins_from_the_last_published_version_and_leaves_it_alone(self):
        last = PlanVersionFactory()
        begun = plans.get_standing(last.plan).begins_with
        assert begun.early_purchase_discount == Decimal("0.25")
        draft = save(last.plan, replace(begun, late_fee=money("3"), due_day=1, intro_months=3))
        assert (draft.number, draft.published_at, draft.due_day, draft.late_fee) == (2, None, 1, money("3"))
        last.refresh_from_db()
        assert (last.late_fee.amount, last.due_day) == (0, None)

    def test_begins_a_first_version_with_common_practice(self):
        begun = plans.get_standing(PlanFactory()).begins_with
        assert (begun.credit_share, begun.step_up_share, begun.late_fee, begun.cleaning_worth) == (
            Decimal(1),
            Decimal("0.6"),
            money("0"),
            money("150"),
        )

    def test_writes_over_the_draft_that_stands_there(self):
        plan = PlanFactory()
        first = save(plan, plans.PlanTerms(title="One", terms="Words."))
        again = save(plan, plans.PlanTerms(title="Two", terms="Words."), seen=plans.fingerprint(first))
        assert (again.pk, again.title) == (first.pk, "Two")

    def test_refuses_to_write_over_what_somebody_else_saved_and_names_it(self):
        plan = PlanFactory()
        first = save(plan, plans.PlanTerms(title="One", terms="Words."))
        save(plan, plans.PlanTerms(title="One", terms="Words.", grace_days=5), seen=plans.fingerprint(first))
        with pytest.raises(plans.DraftChangedError) as refused:
            save(plan, plans.PlanTerms(title="One", terms="Words.", grace_days=9), seen=plans.fingerprint(first))
        assert refused.value.changed == ("grace_days",)
        assert PlanVersion.objects.get().grace_days == 5

    def test_knows_the_same_figures_written_otherwise(self):
        draft = save(PlanFactory(), plans.PlanTerms(title="One", terms="Words.", credit_share=Decimal("0.8")))
        seen = plans.fingerprint(draft)
        draft.refresh_from_db()
        assert plans.fingerprint(draft) == seen

    def test_is_for_the_manager(self):
        with pytest.raises(PermissionDenied):
            save(PlanFactory(), plans.PlanTerms(title="One", terms="Words."), by=SpecialistFactory())


class TestPublishDraft:
    def test_is_what_new_agreements_get_and_no_draft_is(self):
        last = PlanVersionFactory()
        draft = save(last.plan, replace(plans.get_standing(last.plan).begins_with, credit_share=Decimal("0.8")))
        assert queries.get_current_plan_version(last.plan) == last
        assert queries.list_offered_versions() == [last]
        made = publish(last.plan, draft)
        assert queries.get_current_plan_version(last.plan) == made
        assert plans.get_standing(last.plan).draft is None

    def test_refuses_a_draft_that_was_not_shown(self):
        draft = save(PlanFactory(), plans.PlanTerms(title="One", terms="Words."))
        with pytest.raises(plans.DraftChangedError):
            publish(draft.plan, draft, seen="other")

    def test_refuses_what_changes_nothing(self):
        last = PlanVersionFactory()
        draft = save(last.plan, plans.get_standing(last.plan).begins_with)
        with pytest.raises(plans.NothingChangedError, match="same as version 1"):
            publish(last.plan, draft)

    def test_refuses_without_a_draft(self):
        last = PlanVersionFactory()
        with pytest.raises(plans.NoDraftError):
            publish(last.plan, last)


class TestDiscardDraft:
    def test_leaves_the_published_ones(self):
        last = PlanVersionFactory()
        save(last.plan, replace(plans.get_standing(last.plan).begins_with, grace_days=1))
        plans.discard_draft(plan=last.plan, acting_user=ManagerFactory())
        assert list(PlanVersion.objects.all()) == [last]
        with pytest.raises(plans.NoDraftError):
            plans.discard_draft(plan=last.plan, acting_user=ManagerFactory())


class TestGuards:
    def test_there_is_one_draft_of_a_plan(self):
        draft = save(PlanFactory(), plans.PlanTerms(title="One", terms="Words."))
        with pytest.raises(IntegrityError, match="plan_has_one_draft"), transaction.atomic():
            PlanVersion.objects.create(plan=draft.plan, number=9, title="Two", terms="Words.")

    def test_nobody_signs_under_a_draft(self):
        draft = save(PlanFactory(), plans.PlanTerms(title="One", terms="Words."))
        with pytest.raises(IntegrityError, match="signed under terms that are not published"), transaction.atomic():
            AgreementFactory(plan_version=draft)

    @pytest.mark.django_db(transaction=True)
    def test_a_published_version_is_kept_from_the_owner_of_the_tables_too(self, owner_cursor):
        version = PlanVersionFactory()
        with pytest.raises(psycopg.errors.RestrictViolation, match="a published plan version never changes"):
            owner_cursor.execute("UPDATE agreements_planversion SET due_day = 3 WHERE id = %s", [version.pk])

    @pytest.mark.parametrize(
        ("setting", "constraint"),
        [
            ({"due_day": 29}, "plan_due_day_in_every_month"),
            ({"due_day": 0}, "plan_due_day_in_every_month"),
            ({"intro_months": 13}, "plan_intro_within_a_year"),
            ({"credit_share": Decimal("1.5")}, "plan_credit_shares_are_shares"),
            ({"step_up_share": Decimal("-0.1")}, "plan_credit_shares_are_shares"),
            ({"credit_cap": Decimal("1.01")}, "plan_credit_cap_is_a_share"),
            ({"early_purchase_discount": Decimal(1)}, "plan_discount_is_a_share"),
            ({"late_fee": money("-1")}, "plan_amounts_not_negative"),
            ({"deductible": money("-1")}, "plan_amounts_not_negative"),
            ({"cleaning_worth": money("-1")}, "plan_amounts_not_negative"),
            ({"school_year_ends": 13}, "plan_school_year_month"),
        ],
    )
    def test_the_database_refuses_what_no_plan_may_say(self, setting, constraint):
        with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            save(PlanFactory(), plans.PlanTerms(title="One", terms="Words.", **setting))


class TestWords:
    def test_every_setting_has_its_label_its_group_and_its_words(self):
        names = list(plans.PlanTerms.__dataclass_fields__)
        assert sorted(plan_words.LABELS) == sorted(names)
        assert sorted(name for group in plan_words.GROUPS for name in group.names) == sorted(names)
        assert all(plan_words.in_words(plans.PlanTerms(title="One"), name) for name in names if name != "terms")

    def test_changes_are_said_before_and_after(self):
        before = plans.PlanTerms(title="One", terms="Words.")
        changes = plan_words.describe_changes(before, replace(before, due_day=1, late_fee=money("5")))
        assert [tuple(change) for change in changes] == [
            ("Due day", "The day the rental began", "Day 1 of every month"),
            ("Late fee", "None", "$5.00, once for an overdue charge"),
        ]


class TestEditor:
    @pytest.fixture
    def plan(self):
        OfficeFactory()
        TaxAreaFactory()
        return PlanVersionFactory().plan

    @pytest.fixture
    def manager(self, client_as, plan):
        CatalogueItemFactory(kind_code="clarinet")
        RateFactory(kind=kind("clarinet"), intro_rent="45.00")
        return client_as("manager")

    def sent(self, manager, plan, **changes) -> dict[str, str]:
        page = manager.get(reverse("terms_draft", args=[plan.pk])).context
        form, trying = page["form"], page["trying"]
        typed = {name: form[name].value() for name in form.fields}
        item = str(trying.fields["item"].queryset.first().pk)
        tried = {"example-item": item, "example-condition": "returned", "example-starts_on": "08/20/2026"}
        typed = {name: value for name, value in typed.items() if value is not None and value is not False}
        return {**typed, **tried, "example-protection": "on", **changes}

    def test_begins_from_the_last_version_with_the_caution_and_an_example(self, manager, plan):
        page = manager.get(reverse("terms_draft", args=[plan.pk]))
        words = page.content.decode()
        assert page.context["form"]["early_purchase_discount"].value() == "25"
        assert "lawyer approves its agreement" in words
        assert "Owned after" in words
        assert not PlanVersion.objects.filter(published_at=None).exists()

    def test_shows_the_bills_of_what_is_typed_before_it_is_kept(self, manager, plan):
        sent = self.sent(manager, plan, intro_months="3", due_day="1")
        page = manager.post(reverse("terms_example", args=[plan.pk]), sent, headers={"HX-Request": "true"})
        example = page.context["example"]
        # Aug 20 to Nov 20 for 45.00, then 11 of 30 days of 30.00 to Dec 1, then months: (900 - 45 - 11) / 30 = 28.1, so 29 more.
        assert [(f"{b.due_on:%b %d}", str(b.period.rent)) for b in example.bills[:3]] == [
            ("Aug 20", "45.00"),
            ("Nov 20", "11.00"),
            ("Dec 01", "30.00"),
        ]
        assert example.quote.payments_until_owned == len(example.bills) == 31
        assert example.bills[-1].price_to_buy == 0
        words = page.content.decode()
        assert all(each in words for each in ("first 3 months", "11 of 30 days", "$45.00"))
        assert not PlanVersion.objects.filter(published_at=None).exists()

    def test_shows_the_example_without_a_script_and_keeps_what_was_typed(self, manager, plan):
        url = reverse("terms_draft", args=[plan.pk])
        page = manager.post(url, self.sent(manager, plan, due_day="15", **{"example-try": "yes"}))
        assert page.status_code == 200
        assert 'value="15"' in page.content.decode()
        assert page.context["example"].bills[1].due_on == datetime.date(2026, 9, 15)
        assert plans.get_standing(plan).draft is None

    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"due_day": "29"}, "Due day"),
            ({"late_fee": "ten"}, "Late fee"),
            ({"example-starts_on": "soon"}, "month/day/year"),
            ({"example-condition": "new"}, ""),
        ],
    )
    def test_says_what_the_example_waits_for(self, manager, plan, changes, words):
        page = manager.post(reverse("terms_example", args=[plan.pk]), self.sent(manager, plan, **changes))
        assert page.status_code == 200
        assert words in page.content.decode()
        assert ("example" in page.context) is (not words)

    def test_says_when_there_is_no_price_for_the_example(self, client_as, plan):
        CatalogueItemFactory(kind_code="clarinet")
        words = client_as("manager").get(reverse("terms_draft", args=[plan.pk])).content.decode()
        assert "no price for Clarinet" in words

    def test_says_when_there_is_nothing_to_try_it_with(self, client_as, plan):
        assert (
            "no instrument in the catalogue yet"
            in client_as("manager").get(reverse("terms_draft", args=[plan.pk])).content.decode()
        )

    def test_keeps_a_draft_and_publishes_it_after_saying_what_changes(self, manager, plan):
        url = reverse("terms_draft", args=[plan.pk])
        answer = manager.post(url, self.sent(manager, plan, late_fee="3", credit_share="80", publish="yes"))
        assert answer.url == reverse("terms_publish", args=[plan.pk])
        page = manager.get(answer.url)
        assert [change.label for change in page.context["changes"]] == ["Late fee", "Share of rent toward this instrument"]
        seen = page.context["hidden"][0]["value"]
        done = manager.post(answer.url, {"seen": seen})
        made = PlanVersion.objects.get(number=2)
        assert done.url == reverse("terms_version", args=[made.pk])
        assert (made.credit_share, made.late_fee.amount, made.published_at is None) == (Decimal("0.8"), Decimal("3.00"), False)
        assert "80%" in manager.get(done.url).content.decode()

    def test_does_not_publish_another_draft_than_the_one_shown(self, manager, plan):
        manager.post(reverse("terms_draft", args=[plan.pk]), self.sent(manager, plan, grace_days="4"))
        answer = manager.post(reverse("terms_publish", args=[plan.pk]), {"seen": "another"})
        assert answer.status_code == 409
        assert plans.get_standing(plan).draft is not None

    def test_says_what_somebody_else_saved_meanwhile(self, manager, plan):
        url = reverse("terms_draft", args=[plan.pk])
        sent = self.sent(manager, plan, grace_days="4")
        manager.post(url, {**sent, "grace_days": "7"})
        answer = manager.post(url, sent)
        assert answer.status_code == 409
        assert "Days of grace: 7" in answer.content.decode()
        again = {**sent, "seen": answer.context["form"]["seen"].value()}
        assert manager.post(url, again).status_code == 302
        assert plans.get_standing(plan).draft.grace_days == 4

    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"title": ""}, "Fill in “Title”"),
            ({"terms": ""}, "Fill in “The shop's own terms”"),
            ({"due_day": "31"}, "less than or equal to 28"),
            ({"credit_share": "120"}, "from 0 to 100"),
            ({"protection_required": "on", "protection_covers": ""}, "every family must take it"),
            ({"deductible": "50", "protection_covers": ""}, "there is a deductible"),
        ],
    )
    def test_refuses_what_no_plan_may_say_and_keeps_what_was_typed(self, manager, plan, changes, words):
        answer = manager.post(reverse("terms_draft", args=[plan.pk]), self.sent(manager, plan, **changes))
        assert answer.status_code == 422
        assert words in answer.content.decode().replace("&#x27;", "'")
        assert plans.get_standing(plan).draft is None

    def test_throws_a_draft_away(self, manager, plan):
        manager.post(reverse("terms_draft", args=[plan.pk]), self.sent(manager, plan, grace_days="4"))
        assert "Go on with the draft" in manager.get(reverse("terms")).content.decode()
        manager.post(reverse("terms_draft_discard", args=[plan.pk]))
        assert plans.get_standing(plan).draft is None
        assert manager.post(reverse("terms_draft_discard", args=[plan.pk])).status_code == 302

    def test_asks_the_database_little(self, manager, plan, django_assert_max_num_queries):
        sent = self.sent(manager, plan)
        with django_assert_max_num_queries(12):
            manager.post(reverse("terms_example", args=[plan.pk]), sent)
        with django_assert_max_num_queries(16):
            manager.get(reverse("terms_draft", args=[plan.pk]))

    def test_is_for_the_manager(self, client_as, plan):
        for name in ("terms_draft", "terms_publish"):
            assert client_as("specialist").get(reverse(name, args=[plan.pk])).status_code == 403
        assert client_as("bookkeeper").post(reverse("terms_example", args=[plan.pk])).status_code == 403
