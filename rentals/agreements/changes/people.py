"""Who is behind an agreement: the student's school, and the guardians who share its cost."""

from datetime import date, datetime

from django.db import transaction
from django.db.models import F
from django.utils import translation
from django.utils.translation import gettext as _

from rentals.agreements import errors, life
from rentals.agreements.changes.paper import Change, tell_family
from rentals.agreements.life import Sent
from rentals.agreements.models import Agreement, LifeEvent, PayerShare
from rentals.agreements.moves import Move
from rentals.documents.words import in_language
from rentals.families import operations as families
from rentals.families.models import Guardian
from rentals.runtime.templatetags.office import day as written
from rentals.staff.models import User
from schools.models import Programme

WHOLE = 100
"""Shares are whole per cent of what the agreement costs, and make up all of it."""

Shares = tuple[tuple[Guardian, int], ...]


class SameSchoolError(Exception):
    """The student is in that programme already."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        where = agreement.student.programme or "no programme"
        super().__init__(f"{agreement.student} is in {where} already. Choose another school, or go back.")


class SharesNotWholeError(Exception):
    """The shares are not those of two guardians or more, or do not make up the whole."""

    def __init__(self, total: int) -> None:
        self.total = total
        super().__init__(f"Two guardians or more share the whole cost: {WHOLE} per cent together, not {total}.")


class NotSharedError(Exception):
    """There is no arrangement that could end."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(f"Nobody shares the payments of {agreement.number}: {agreement.guardian} pays all of it.")


class SharedUntilError(Exception):
    """The arrangement before was ended for a later day, and holds until then."""

    def __init__(self, agreement: Agreement, until_on: date) -> None:
        self.agreement, self.until_on = agreement, until_on
        super().__init__(f"The payments of {agreement.number} are shared otherwise until {written(until_on)}: begin on that day.")


@transaction.atomic
def change_school(
    *, agreement: Agreement, programme: Programme | None, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Put the student of an agreement into another school's programme, or into none; return the timeline's line.

    The agreement itself stays as signed: where it was received, and how it is taxed. Raises SameSchoolError and what
    `life.lock_for` raises.
    """
    request = {"programme": programme and programme.pk}
    done = life.claim(agreement=agreement, move=Move.CHANGE_SCHOOL, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.CHANGE_SCHOOL, sent=sent)
    student = locked.student
    if student.programme_id == (programme and programme.pk):
        raise SameSchoolError(locked)
    was = str(student.programme or _("no programme"))
    families.change_student(
        student_id=student.pk,
        version=locked.household.version,
        changes={"programme": programme},
        acting_user=acting_user,
    )
    to = str(programme or _("no programme"))
    event = life.note_event(
        agreement=locked,
        kind=LifeEvent.Kind.SCHOOL_CHANGED,
        on=today,
        acting_user=acting_user,
        now=now,
        note=f"From {was} to {to}",
        detail={"was": student.programme_id, "to": programme and programme.pk},
    )
    with translation.override(locked.household.language):
        said = (
            _("Our records now say: %(student)s, %(to)s (before: %(was)s).")
            % {
                "student": student,
                "to": in_language(to),
                "was": in_language(was),
            },
            _("The instrument stays with you, and nothing else about the agreement changes."),
        )
        change = Change(_("Change of school"), said, in_english=False)
    tell_family(agreement=locked, event=event, change=change, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)


@transaction.atomic
def share_payments(
    *, agreement: Agreement, shares: Shares, from_on: date, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Let guardians of the household share what an agreement costs, in whole per cent, from a day on; return the line.

    It takes the place of the arrangement before; no shares at all end it, so that the guardian who signed pays all again.
    Raises SharesNotWholeError, NotSharedError, SharedUntilError, NotOfThisHouseholdError, and what `life.lock_for` raises.
    """
    request = {"shares": [[guardian.pk, weight] for guardian, weight in shares], "from_on": from_on.isoformat()}
    done = life.claim(agreement=agreement, move=Move.SHARE_PAYMENT, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.SHARE_PAYMENT, sent=sent)
    _check_shares(locked, shares)
    before = PayerShare.objects.filter(agreement=locked, until_on__gt=from_on).exclude(until_on=F("from_on")).first()
    if shares and before is not None and before.until_on is not None:
        raise SharedUntilError(locked, before.until_on)
    ended = end_shares(locked, from_on)
    if not shares and not ended:
        raise NotSharedError(locked)
    PayerShare.objects.bulk_create(
        PayerShare(agreement=locked, guardian=guardian, weight=weight, from_on=from_on) for guardian, weight in shares
    )
    words = ", ".join(f"{guardian} {weight}%" for guardian, weight in shares) or f"{locked.guardian} pays all of it"
    event = life.note_event(
        agreement=locked,
        kind=LifeEvent.Kind.PAYERS_CHANGED,
        on=today,
        acting_user=acting_user,
        now=now,
        note=f"From {written(from_on)}: {words}",
        detail=request,
    )
    said = (
        _("What falls due from %(day)s on is shared so: %(words)s.") % {"day": written(from_on), "words": words},
        _("Between you and the shop nothing else changes: the whole amount is owed to it until it is paid."),
    )
    change = Change(_("Who pays which part"), said)
    tell_family(agreement=locked, event=event, change=change, signer=sent.signer, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)


def list_shares(agreement: Agreement) -> list[PayerShare]:
    """List who pays which part by the arrangement that holds or is to come; empty when one guardian pays all."""
    return list(PayerShare.objects.filter(agreement=agreement, until_on=None).select_related("guardian").order_by("pk"))


def end_shares(locked: Agreement, on: date) -> int:
    """End the arrangement about who pays which part on a day (exclusive), inside an operation; return how many shares ended."""
    ended = list_shares(locked)
    for share in ended:
        share.until_on = max(on, share.from_on)
        share.save(update_fields=["until_on"])
    return len(ended)


def _check_shares(locked: Agreement, shares: Shares) -> None:
    if any(guardian.household_id != locked.household_id for guardian, __ in shares):
        raise errors.NotOfThisHouseholdError
    total = sum(weight for __, weight in shares)
    if shares and (total != WHOLE or len(shares) < 2 or len({guardian.pk for guardian, __ in shares}) != len(shares)):
        raise SharesNotWholeError(total)
