"""Required lists: alternatives, who sells what, taken over from another programme."""

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from schools import operations, queries
from schools.models import RequiredItem
from tests.factories import UserFactory
from tests.inventory.factories import ProductFactory, kind
from tests.schools.factories import ProgrammeFactory, RequiredItemFactory

pytestmark = pytest.mark.django_db


class TestWhoSellsIt:
    def test_only_what_we_sell_is_offered_and_the_rest_is_told(self):
        ours = RequiredItemFactory(kind=kind("flute"), product=ProductFactory())
        shirt = RequiredItemFactory(programme=ours.programme, kind=kind("flute"), words="Band shirt", sold_by="school")
        assert queries.list_required_items(ours.programme_id, "flute") == [ours]
        assert queries.list_brought_from_elsewhere(ours.programme_id, "flute") == [shirt]

    @pytest.mark.parametrize("facts", [{"words": "Band shirt", "sold_by": "us"}, {"sold_by": "school"}])
    def test_the_database_refuses_words_that_we_sell_and_lines_of_nothing(self, facts):
        with pytest.raises(IntegrityError, match="required_item_product_or_words"), transaction.atomic():
            RequiredItemFactory(kind=kind("flute"), **facts)


class TestChange:
    def test_refuses_a_line_that_moved_on(self):
        item = RequiredItemFactory(kind=kind("flute"), product=ProductFactory(), version=2)
        facts = operations.RequiredFacts(product=item.product, quantity=3)
        known = {"programme": item.programme, "kind": item.kind, "facts": facts, "acting_user": UserFactory()}
        with pytest.raises(operations.RequiredItemChangedError):
            operations.put_on_required_list(version=1, **known)
        assert operations.put_on_required_list(version=2, **known).version == 3


class TestCopy:
    def test_adds_what_is_missing_and_keeps_what_is_there(self, client_as):
        book = ProductFactory()
        source = RequiredItemFactory(kind=kind("flute"), product=book, quantity=1).programme
        RequiredItemFactory(programme=source, kind=kind("flute"), words="Pencil", sold_by="anywhere", note="Soft")
        target = RequiredItemFactory(kind=kind("flute"), product=book, quantity=4).programme
        answer = client_as("specialist").post(reverse("required_list_copy", args=[target.pk]), {"source": source.pk})
        assert answer.status_code == 302
        found = target.required_items.order_by("pk").values_list("product", "words", "quantity", "note")
        assert list(found) == [(book.pk, "", 4, ""), (None, "Pencil", 1, "Soft")]
        assert source.required_items.count() == 2


class TestScreen:
    def test_says_what_is_missing(self, client_as):
        programme, client = ProgrammeFactory(), client_as("specialist")
        prefix = f"p{programme.pk}"
        sent = {f"{prefix}-kind": kind("flute").pk, f"{prefix}-words": "Band shirt", f"{prefix}-quantity": "1"}
        address = reverse("required_item_add", args=[programme.pk])
        assert "say who else sells this" in client.post(address, sent).text
        assert not RequiredItem.objects.exists()
        client.post(address, {**sent, f"{prefix}-sold_by": "school"})
        page = client.get(reverse("school", args=[programme.school_id])).text
        assert "Band shirt" in page
        assert "The school sells it" in page
