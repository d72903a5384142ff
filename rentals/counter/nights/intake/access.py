"""Whose night it is: who works there, and the managers. For everybody else it does not exist here."""

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404

from rentals.staff.models import Role, User
from schools.models import Night


def list_own_nights(user: User) -> QuerySet[Night]:
    """Return the nights a person may take sign-ups for: those where they work; a manager's are all."""
    nights = Night.objects.select_related("school", "location")
    return nights if user.role == Role.MANAGER else nights.filter(staff__user=user)


def get_own_night(user: User, night_id: int) -> Night:
    """Return one of these nights. Raises Http404."""
    return get_object_or_404(list_own_nights(user), pk=night_id)
