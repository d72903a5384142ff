"""Parts, services, checks and tag series by kind: what the data files say, and what stays as the manager left it."""

from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from rentals.inventory import queries, reference
from rentals.inventory.models import CatalogueItem, KindPart, KindService, TagSeries
from tests.inventory.factories import CatalogueItemFactory

pytestmark = pytest.mark.django_db
KINDS = [row.code for row in reference.list_kinds()]


class TestDataFiles:
    @pytest.mark.parametrize("code", KINDS)
    def test_every_kind_has_parts_services_and_checks(self, code):
        assert queries.list_parts(code).filter(must_come_back=True).exists()
        assert len(queries.list_services(code)) >= 4
        assert len(reference.list_condition_checks(code)) >= 4

    # Common practice, no source: what families are asked to bring back with each.
    @pytest.mark.parametrize(
        ("code", "parts"),
        [
            ("clarinet", {"case", "mouthpiece", "ligature", "cap"}),
            ("alto-saxophone", {"case", "mouthpiece", "ligature", "cap", "neck", "neck-strap"}),
            ("violin", {"case", "bow"}),
            ("trumpet", {"case", "mouthpiece"}),
        ],
    )
    def test_asks_back_what_the_trade_asks_back(self, code, parts):
        assert parts <= {part.code for part in queries.list_parts(code) if part.must_come_back}

    def test_no_code_stands_twice_in_a_kind_and_no_kind_is_unknown(self):
        for name in ("kind_parts.csv", "kind_services.csv", "kind_checks.csv"):
            rows = [(row["kind"], row["code"]) for row in reference._rows(name)]
            assert len(rows) == len(set(rows))
            assert {kind for kind, _ in rows} == set(KINDS)

    def test_every_kind_has_a_tag_series_of_its_own(self):
        assert set(TagSeries.objects.values_list("kind_id", flat=True)) == set(KINDS)


class TestEnsureKindLists:
    def test_leaves_what_the_manager_changed(self):
        KindPart.objects.filter(kind="clarinet", code="cap").update(name="Cap of brass", is_active=False, replacement_price=6)
        KindService.objects.filter(kind="clarinet", code="pad").update(usual_minutes=35)
        TagSeries.objects.filter(kind="clarinet").update(prefix="KL", next_number=500)
        before = KindPart.objects.count(), KindService.objects.count(), TagSeries.objects.count()
        reference.ensure_kind_lists()
        assert before == (KindPart.objects.count(), KindService.objects.count(), TagSeries.objects.count())
        cap = KindPart.objects.get(kind="clarinet", code="cap")
        assert (cap.name, cap.is_active, cap.replacement_price.amount) == ("Cap of brass", False, Decimal(6))
        assert KindService.objects.get(kind="clarinet", code="pad").usual_minutes == 35
        assert TagSeries.objects.get(kind="clarinet").prefix == "KL"

    def test_writes_anew_what_is_missing(self):
        KindService.objects.filter(kind="clarinet", code="pad").delete()
        reference.ensure_kind_lists()
        assert KindService.objects.filter(kind="clarinet", code="pad").exists()


class TestDatabase:
    @pytest.mark.parametrize("used", [Decimal("900.01"), Decimal("-1")])
    def test_refuses_a_used_price_above_the_new_one(self, used):
        item = CatalogueItemFactory()
        with pytest.raises(IntegrityError, match="catalogue_used_not_above_new"), transaction.atomic():
            CatalogueItem.objects.filter(pk=item.pk).update(used_price=used)

    def test_refuses_a_second_series_for_the_rest(self):
        TagSeries.objects.create(prefix="Z-")
        with pytest.raises(IntegrityError, match="one_for_the_rest"), transaction.atomic():
            TagSeries.objects.create(prefix="Y-")

    def test_refuses_work_of_no_minutes(self):
        with pytest.raises(IntegrityError, match="kind_service_minutes"), transaction.atomic():
            KindService.objects.filter(kind="flute", code="pad").update(usual_minutes=0)
