"""What the screens of all moves share: the agreement, the form's key and what its sender had seen, and how a refusal is told."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from billing import charges, ledger
from billing.taking.days import TakingClosedError
from rentals.agreements import errors, life, queries
from rentals.agreements.changes.terms import PeriodBilledMeanwhileError
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move, MoveNotPossibleError
from rentals.counter.life.panel import status_of
from rentals.families.forms import NameField
from rentals.runtime import clock
from rentals.runtime.forms import OfficeForm
from rentals.runtime.locks import RowsBusyError
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import acting_user

REFUSALS: tuple[type[Exception], ...] = (
    errors.AgreementEndedError,
    errors.EndsBeforeItBeganError,
    errors.InstrumentNotAvailableError,
    errors.NoPlaceToReturnError,
    errors.NotOfThisHouseholdError,
    errors.StartsLaterError,
    queries.NoRateError,
    queries.NoTaxAreaError,
    charges.NothingToChargeError,
    charges.PeriodAlreadyBilledError,
    charges.ChargeVoidedError,
    ledger.MonthClosedError,
    TakingClosedError,
    RequestKeyReusedError,
    RowsBusyError,
)
"""Refusals that a person can do something about: the form says them in their own words. A screen may name more of its own."""

BEYOND_USE: tuple[type[Exception], ...] = (
    MoveNotPossibleError,
    life.AgreementMovedOnError,
    PeriodBilledMeanwhileError,
    errors.TermsChangedError,
)
"""Refusals after which the form is no longer of use: they have a page, with the way back to the agreement."""


class ActForm(OfficeForm):
    """A form that does something to an agreement. It carries its key and the last line of the timeline that was seen."""

    request_key = forms.UUIDField(widget=forms.HiddenInput)
    seen = forms.IntegerField(widget=forms.HiddenInput, min_value=0)

    def __init__(self, *args: Any, agreement: Agreement, **options: Any) -> None:
        super().__init__(*args, **options)
        self.agreement = agreement
        self.initial.setdefault("request_key", uuid4())
        self.initial.setdefault("seen", life.last_seen(agreement))

    @property
    def sent(self) -> life.Sent:
        """How it was sent, for the operation."""
        return life.Sent(self.cleaned_data["request_key"], self.cleaned_data["seen"], self.cleaned_data.get("signer", ""))


class SignedForm(ActForm):
    """An act that binds the family: the guardian reads it and types the name."""

    agrees = forms.BooleanField(
        label="The guardian has read this and agrees.",
        error_messages={"required": "Let the guardian read it, and tick that they agree."},
    )
    signer = NameField(
        what="name of the guardian who signs",
        longest=120,
        label="The guardian types the full name to sign",
    )


@dataclass(frozen=True)
class Screen:
    """One move's screen: its title, its button, and the template that extends `counter/life/act.html` (or that itself).

    `is_grave` gives the button the tone of what cannot be taken back. `refusals` are told in the form, beside REFUSALS.
    """

    move: Move
    title: str
    button: str
    template: str = "counter/life/act.html"
    is_grave: bool = False
    refusals: tuple[type[Exception], ...] = ()


def get_agreement(agreement_id: int) -> Agreement:
    """Return an agreement with the people and things its screens name. Raises Http404."""
    people = Agreement.objects.select_related("household", "guardian", "student__programme__school", "programme__school")
    found = people.select_related("item__kind", "plan_version__plan", "tax_area", "signed_by").filter(pk=agreement_id).first()
    if found is None:
        raise Http404
    return found


def back_to(agreement: Agreement) -> dict[str, str]:
    """Return the way back to the agreement's page."""
    return {"label": f"Agreement {agreement.number}", "url": reverse("agreement", kwargs={"agreement_id": agreement.pk})}


def show_or_run(
    request: HttpRequest,
    *,
    screen: Screen,
    form: ActForm,
    run: Callable[..., LifeEvent],
    done: Callable[[LifeEvent], str],
    context: dict[str, Any] | None = None,
    hindered_by: Exception | None = None,
) -> HttpResponse:
    """Show a move's form; sent and in order, run the move and go on to the agreement with a word about what was done.

    `run` takes the cleaned fields as a dict, and by keyword `sent`, `acting_user`, `now` and `today`; it returns the line of the
    timeline, whose agreement is shown next (for a transfer, say, the new one). `done` puts it into words. A refused form answers
    422 with everything typed; when somebody else was faster, or the state does not allow the move, the answer is 409. So it is,
    and no form is shown, where it is known beforehand what hinders it (`hindered_by`); a sent form the operation judges.
    """
    agreement = form.agreement
    try:
        if not form.is_bound:
            life.check(agreement, screen.move)
            if hindered_by is not None:
                return refuse(request, agreement, hindered_by, screen)
        elif form.is_valid():
            event = run(form.cleaned_data, sent=form.sent, acting_user=acting_user(request), now=clock.now(), today=clock.today())
            messages.success(request, done(event))
            return redirect("agreement", event.agreement_id)
    except BEYOND_USE as error:
        return refuse(request, agreement, error, screen)
    except REFUSALS + screen.refusals as error:
        form.add_error(None, str(error))
    page = {"agreement": agreement, "screen": screen, "form": form, "back": back_to(agreement), **(context or {})}
    page["status"] = status_of(life.state_of(agreement))
    return render(request, screen.template, page, status=422 if form.errors else 200)


def refuse(request: HttpRequest, agreement: Agreement, error: Exception, screen: Screen) -> HttpResponse:
    """Say that it was not done and why, with what somebody else did meanwhile, and offer to look again: 409."""
    page = {
        "agreement": agreement,
        "screen": screen,
        "error": error,
        "back": back_to(agreement),
        "again": "" if isinstance(error, MoveNotPossibleError) else request.path,
        "events": [
            {"at": each.at, "text": each.get_kind_display(), "note": each.note, "who": each.by.name}
            for each in getattr(error, "events", [])
        ],
    }
    return render(request, "counter/life/refused.html", page, status=409)
