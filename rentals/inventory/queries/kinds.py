"""What belongs to a kind of instrument."""

from django.db.models import QuerySet

from rentals.inventory.models import KindPart, KindService


def list_parts(kind_code: str) -> QuerySet[KindPart]:
    """Return the parts that go out with an instrument of a kind, in the order they are looked for when it comes back."""
    return KindPart.objects.filter(kind=kind_code, is_active=True).order_by("order", "pk")


def list_services(kind_code: str) -> QuerySet[KindService]:
    """Return what the bench does to instruments of a kind, with the usual minutes, in the list's order."""
    return KindService.objects.filter(kind=kind_code, is_active=True).order_by("order", "pk")


def list_all_parts(kind_code: str) -> QuerySet[KindPart]:
    """Return the parts of a kind with those taken off the list, these last."""
    return KindPart.objects.filter(kind=kind_code).order_by("-is_active", "order", "pk")


def list_all_services(kind_code: str) -> QuerySet[KindService]:
    """Return the services of a kind with those taken off the list, these last."""
    return KindService.objects.filter(kind=kind_code).order_by("-is_active", "order", "pk")
