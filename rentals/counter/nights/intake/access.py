"""Whose night it is: who works there, and the managers. For everybody else it does not exist here."""

from django.core.exceptions import PermissionDenied
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


def works_there(user: User, night: Night) -> bool:
    """Tell whether a person may change a night's evening: its people, the lead among them, and managers.

    Everybody else whose role works at nights may look at the line and the board, and changes nothing there.
    """
    return list_own_nights(user).filter(pk=night.pk).exists()


def require_works_there(user: User, night: Night) -> None:
    """Raise PermissionDenied for whoever may only look at this night's evening."""
    if not works_there(user, night):
        raise PermissionDenied(
            f"You are not among the people of {night.school}’s night: its line and board are for you to look at."
        )
