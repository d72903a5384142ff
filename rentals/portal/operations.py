"""Writes of doors and of forms from home. Families act for themselves here: their writes name no person of the office."""

import datetime
import uuid
from typing import Any

from django.db import IntegrityError, transaction

from rentals.portal import rules
from rentals.portal.models import HomeFamily, HomeForm, NightDoor
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from schools.models import Night


class NightOverError(Exception):
    """A night that is over has no door any more."""

    def __init__(self, night: Night) -> None:
        self.night = night
        super().__init__("This night is over or called off: its form cannot be opened any more.")


class FormUsedError(Exception):
    """The form was used for a sign-up; nothing in it changes any more."""


class FormNotWholeError(Exception):
    """A page of the form is not answered yet."""

    def __init__(self, page: str) -> None:
        self.page = page
        super().__init__(page)


class TooManyChildrenError(Exception):
    """One family, one night: no more children than any family brings."""


class HomeFormNotFoundError(Exception):
    """No form with this code is there."""


@transaction.atomic
def open_door(*, night: Night, acting_user: User, today: datetime.date) -> NightDoor:
    """Open the form of a night, or open it again under the code it had. Raises NightOverError."""
    current: Night = lock_one(Night.objects.filter(pk=night.pk), strength="no_key")
    if current.is_over or current.on < today:
        raise NightOverError(current)
    fields = {"code": rules.new_door_code(), "opened_on": today, "opened_by": acting_user}
    door, is_new = NightDoor.objects.get_or_create(night=current, defaults=fields)
    if not is_new and door.closed_at is not None:
        door.closed_at = None
        door.save(update_fields=["closed_at"])
    return door


@transaction.atomic
def close_door(*, night: Night, acting_user: User, now: datetime.datetime) -> NightDoor:
    """Close the form of a night: nobody begins or changes one, what was filled in stays. Raises NightDoor.DoesNotExist."""
    door: NightDoor = lock_one(NightDoor.objects.filter(night=night))
    if door.closed_at is None:
        door.closed_at = now
        door.save(update_fields=["closed_at"])
    return door


@transaction.atomic
def begin_form(*, door: NightDoor, browser: uuid.UUID, language: str, now: datetime.datetime) -> HomeForm:
    """Begin the form of a browser, or go on with the one it began: sent twice, it is one. The language is taken over."""
    family, is_new = HomeFamily.objects.get_or_create(
        door=door, browser=browser, defaults={"language": language, "made_at": now, "changed_at": now}
    )
    if not is_new and family.language != language:
        family.language = language
        family.save(update_fields=["language"])
    return HomeForm.objects.get_or_create(family=family, place=1, defaults={"changed_at": now})[0]


@transaction.atomic
def choose_language(*, family: HomeFamily, language: str) -> HomeFamily:
    """Go on in another language."""
    current: HomeFamily = lock_one(HomeFamily.objects.filter(pk=family.pk))
    current.language = language
    current.save(update_fields=["language"])
    return current


@transaction.atomic
def save_page(*, form: HomeForm, page: str, answers: dict[str, Any], now: datetime.datetime) -> HomeForm:
    """Keep the answers of one page (`rules.PAGES`), the family's or the child's. Raises FormUsedError."""
    locked = _lock(form)
    row: HomeFamily | HomeForm = locked.family if page in rules.FAMILY_PAGES else locked
    if page == "instrument" and isinstance(row, HomeForm) and answers["kind"] != row.kind:
        # A size belongs to a kind, and is asked anew with it.
        answers = answers | {"size": ""}
        row.answered = [each for each in row.answered if each != "size"]
    for name, value in answers.items():
        setattr(row, name, value)
    if page not in row.answered:
        row.answered = [*row.answered, page]
    row.changed_at = now
    row.save(update_fields=[*answers, "answered", "changed_at"])
    return locked


@transaction.atomic
def add_child(*, form: HomeForm, now: datetime.datetime) -> HomeForm:
    """Begin the form of the child after this one: asked twice, it is one. Raises TooManyChildrenError."""
    if form.place >= rules.MOST_CHILDREN:
        raise TooManyChildrenError
    family: HomeFamily = lock_one(HomeFamily.objects.filter(pk=form.family_id))
    place, fields = form.place + 1, {"family_name": form.family_name, "changed_at": now}
    return HomeForm.objects.get_or_create(family=family, place=place, defaults=fields)[0]


@transaction.atomic
def finish_form(*, form: HomeForm, pages: tuple[str, ...], now: datetime.datetime) -> HomeForm:
    """Hand the form in and give the family its code; handed in already, it stays as it is.

    `pages` are those this family must have answered. Raises FormNotWholeError, FormUsedError.
    """
    locked = _lock(form)
    open_page = rules.next_open(pages, {*locked.family.answered, *locked.answered})
    if open_page:
        raise FormNotWholeError(open_page)
    if locked.family.code is None:
        _give_code(locked.family)
    if locked.finished_at is None:
        locked.finished_at = now
        locked.save(update_fields=["finished_at"])
    return locked


@transaction.atomic
def mark_used(*, code: str, now: datetime.datetime) -> HomeForm:
    """Write down that a sign-up was made of a form; marked before, the first time stays.

    For the operation that makes the agreement, inside its transaction. Raises HomeFormNotFoundError.
    """
    read = rules.read_code(code)
    if read is None:
        raise HomeFormNotFoundError(code)
    forms = HomeForm.objects.filter(family__code=read[0], place=read[1] or 1, finished_at__isnull=False)
    try:
        form: HomeForm = lock_one(forms.select_related("family"))
    except HomeForm.DoesNotExist as error:
        raise HomeFormNotFoundError(code) from error
    if form.used_at is None:
        form.used_at = now
        form.save(update_fields=["used_at"])
    return form


@transaction.atomic
def purge_home_forms(*, today: datetime.date, now: datetime.datetime) -> int:
    """Delete, whole, what families filled in for nights more than 14 days ago, and what nobody finished within 7 days.

    Returns how many families went.
    """
    old = HomeFamily.objects.filter(door__night__on__lt=rules.purge_before(today))
    unfinished = HomeFamily.objects.filter(code=None, changed_at__lt=now - rules.KEPT_UNFINISHED)
    unfinished = unfinished.exclude(forms__changed_at__gte=now - rules.KEPT_UNFINISHED)
    families = old.values_list("pk", flat=True).union(unfinished.values_list("pk", flat=True))
    going = list(families)
    HomeFamily.objects.filter(pk__in=going).delete()
    return len(going)


def _lock(form: HomeForm) -> HomeForm:
    """Lock the family, then the form; return the form as it is now. Raises FormUsedError."""
    family: HomeFamily = lock_one(HomeFamily.objects.filter(pk=form.family_id))
    locked: HomeForm = lock_one(HomeForm.objects.filter(pk=form.pk))
    if locked.used_at is not None:
        raise FormUsedError
    locked.family = family
    return locked


def _give_code(family: HomeFamily) -> None:
    for _ in range(20):
        family.code = rules.new_code()
        try:
            with transaction.atomic():
                family.save(update_fields=["code"])
            return
        except IntegrityError as error:
            diagnosis = getattr(error.__cause__, "diag", None)
            if getattr(diagnosis, "constraint_name", "") != "home_family_code_once":
                raise
    message = "No free code was found in twenty tries."
    raise RuntimeError(message)
