"""A sign-up that a person gives up on a tablet is told to the office first; then the tablet lets it go."""

import datetime
import json
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.contrib.postgres.expressions import ArraySubquery
from django.db import transaction
from django.db.models import CharField, OuterRef, QuerySet
from django.db.models.functions import Cast, JSONObject
from django.http import HttpRequest, HttpResponseBase, JsonResponse
from django.views.decorators.http import require_POST

from rentals.agreements.models import GivenUpSignUp
from rentals.counter.nights.intake.access import get_own_night
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.staff.models import User
from rentals.staff.policy import acting_user, require, requires
from schools.models import Night

LONGEST = 2_000
"""Bytes of what a tablet tells of it."""


class GivenUpForm(forms.Form):
    """What a tablet tells of a sign-up that is given up."""

    id = forms.UUIDField()
    device = forms.UUIDField()
    made_at = forms.DateTimeField()
    reason = forms.CharField(min_length=5, max_length=200)
    paid = forms.DecimalField(min_value=0, max_digits=8, decimal_places=2, required=False)


@transaction.atomic
def give_up(
    *,
    sign_up_id: UUID,
    night: Night,
    device: UUID,
    made_at: datetime.datetime,
    reason: str,
    paid: Decimal,
    acting_user: User,
    now: datetime.datetime,
) -> GivenUpSignUp:
    """Note who gave a sign-up up and why; told again, the first word stands."""
    require(acting_user, "nights.sign_up")
    facts = {"night": night, "device": device, "made_at": made_at, "reason": reason, "paid": paid}
    told = {**facts, "given_up_at": now, "given_up_by": acting_user}
    return GivenUpSignUp.objects.get_or_create(pk=sign_up_id, defaults=told)[0]


@dataclass(frozen=True)
class GivenUp:
    """What was given up on a tablet, as the board and the closing sheet say it; `paid` is money that no payment stands for."""

    tablet: str
    made_at: datetime.datetime
    given_up_at: datetime.datetime
    by: str
    reason: str
    paid: Decimal


def with_given_up(nights: QuerySet[Night]) -> QuerySet[Night]:
    """Let nights bring along what was given up on their tablets, in the same query, for `list_given_up`."""
    facts = {name: name for name in ("device", "made_at", "given_up_at", "reason")}
    row = JSONObject(**facts, by="given_up_by__name", paid=Cast("paid", CharField()))
    rows = GivenUpSignUp.objects.filter(night=OuterRef("pk")).order_by("-given_up_at", "pk")
    return nights.annotate(given_up_rows=ArraySubquery(rows.values(row=row)))


def list_given_up(night: Night) -> list[GivenUp]:
    """List what was given up on a night's tablets, the newest first; no query where the night brought it along."""
    found = night if hasattr(night, "given_up_rows") else with_given_up(Night.objects.filter(pk=night.pk)).get()
    rows: list[dict[str, Any]] = found.given_up_rows  # type: ignore[attr-defined]
    at = datetime.datetime.fromisoformat
    return [
        GivenUp(
            tablet=row["device"][:4].upper(),
            made_at=at(row["made_at"]),
            given_up_at=at(row["given_up_at"]),
            by=row["by"],
            reason=row["reason"],
            paid=Decimal(row["paid"]),
        )
        for row in rows
    ]


@requires("nights.sign_up")
@require_POST
def night_give_up(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Take the word of a tablet: {"id", "device", "made_at", "reason", "paid"}; answer {"id", "by"}, or 422 and what is wrong."""
    person = acting_user(request)
    night = get_own_night(person, night_id)
    form = GivenUpForm(_read(request))
    if not form.is_valid():
        return JsonResponse({"error": form.errors}, status=422)
    told = form.cleaned_data
    row = give_up(
        sign_up_id=told["id"],
        night=night,
        device=told["device"],
        made_at=told["made_at"],
        reason=told["reason"],
        paid=told["paid"] or ZERO,
        acting_user=person,
        now=clock.now(),
    )
    return JsonResponse({"id": str(row.pk), "by": row.given_up_by.name})


def _read(request: HttpRequest) -> dict[str, Any]:
    try:
        found = json.loads(request.body) if len(request.body) <= LONGEST else None
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
