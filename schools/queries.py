"""Reads about schools that screens and flows share. Who plays what at a school stands higher up, in the counter's roster."""

from django.db.models import Count, F, Prefetch, Q, QuerySet

from schools.models import District, Programme, RequiredItem, School


def list_programmes() -> QuerySet[Programme]:
    """List the programmes of schools that are still served, by school and kind, each with its school."""
    return Programme.objects.filter(school__is_active=True).select_related("school").order_by("school__name", "kind")


def list_asked_for(programme_id: int, kind_code: str) -> list[RequiredItem]:
    """List all that a programme asks a student of one kind of instrument to bring, with products, alternatives together."""
    items = RequiredItem.objects.filter(programme_id=programme_id, kind_id=kind_code).select_related("product")
    return list(items.order_by(F("choice").asc(nulls_first=True), "product__name", "pk"))


def list_required_items(programme_id: int, kind_code: str) -> list[RequiredItem]:
    """List of it what we sell now, each with its product."""
    return [item for item in list_asked_for(programme_id, kind_code) if is_sold_by_us(item)]


def list_brought_from_elsewhere(programme_id: int, kind_code: str) -> list[RequiredItem]:
    """List of it what we do not sell: told at the sign-up, never priced."""
    return [item for item in list_asked_for(programme_id, kind_code) if item.sold_by != RequiredItem.SoldBy.US]


def is_sold_by_us(item: RequiredItem) -> bool:
    """Return whether a line of a list can be bought from us now."""
    return item.sold_by == RequiredItem.SoldBy.US and item.product is not None and item.product.is_active


def list_districts() -> list[tuple[int, str]]:
    """List (id, name) of every district that has a school, for a choice."""
    return list(District.objects.filter(schools__isnull=False).distinct().order_by("name").values_list("pk", "name"))


def list_schools(*, text: str = "", only_active: bool = False, district_id: int | None = None) -> QuerySet[School]:
    """List schools by name with `programme_count` and `student_count`; `text` is a part of a name, district or city."""
    schools = School.objects.select_related("district").annotate(
        programme_count=Count("programmes", distinct=True), student_count=Count("programmes__students", distinct=True)
    )
    if only_active:
        schools = schools.filter(is_active=True)
    if district_id is not None:
        schools = schools.filter(district=district_id)
    if text:
        schools = schools.filter(Q(name__icontains=text) | Q(district__name__icontains=text) | Q(city__icontains=text))
    return schools.order_by("name", "pk")


def list_school_names() -> list[tuple[int, str]]:
    """List (id, name) of every school, for a choice."""
    return list(School.objects.order_by("name", "pk").values_list("pk", "name"))


def list_programmes_of(school_id: int) -> list[Programme]:
    """List a school's programmes with every line of their required lists, by kind of instrument and product."""
    items = RequiredItem.objects.select_related("kind", "product").order_by(
        "kind__order", "kind__name", F("choice").asc(nulls_first=True), "product__name", "pk"
    )
    programmes = Programme.objects.filter(school_id=school_id).prefetch_related(Prefetch("required_items", queryset=items))
    return list(programmes.order_by("kind"))
