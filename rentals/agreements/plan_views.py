"""The manager's screens of a plan: its draft with a living example, what publishing changes, a version as it was published."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.agreements import forms, plan_words, plans, queries, terms
from rentals.agreements.examples import make_example
from rentals.agreements.models import Plan, PlanVersion
from rentals.runtime import clock
from rentals.staff.policy import requires

EXAMPLE = "example"


@requires("terms.manage")
@require_POST
def offer_plan(request: HttpRequest, code: str) -> HttpResponseBase:
    """Offer a plan to new families, or no longer; pressed again, it is undone."""
    plan = get_object_or_404(Plan, pk=code)
    offered = request.POST.get("offered") == "yes"
    terms.offer_plan(plan=plan, is_offered=offered, acting_user=request.user)  # type: ignore[arg-type]
    messages.success(request, f"“{plan}” is {'offered to new families' if offered else 'no longer offered'}.")
    return redirect("terms")


@requires("terms.manage")
@require_http_methods(["GET", "HEAD", "POST"])
def edit_draft(request: HttpRequest, code: str) -> HttpResponseBase:
    """Change the draft of a plan's next version, with a family's bills beside it: kept, only tried, or read for publishing."""
    stands = plans.get_standing(get_object_or_404(Plan, pk=code))
    if request.method != "POST":
        form = forms.PlanVersionForm(initial={**vars(stands.begins_with), "seen": stands.seen})
        return _show_editor(request, stands, form)
    form = forms.PlanVersionForm(request.POST)
    if not form.is_valid() or "example-try" in request.POST:
        return _show_editor(request, stands, form)
    try:
        plans.save_draft(
            plan=stands.plan,
            terms=form.plan_terms(),
            seen=form.cleaned_data["seen"],
            acting_user=request.user,  # type: ignore[arg-type]
        )
    except plans.DraftChangedError as error:
        return _show_changed(request, stands.plan, form, error)
    if "publish" in request.POST:
        return redirect("terms_publish", code)
    messages.success(request, f"The draft of “{stands.plan}” is kept. No family sees it before it is published.")
    return redirect("terms_draft", code)


@requires("terms.manage")
@require_POST
def show_example(request: HttpRequest, code: str) -> HttpResponseBase:
    """Send the example back as the editor stands now; nothing is kept."""
    stands = plans.get_standing(get_object_or_404(Plan, pk=code))
    return render(request, "agreements/example.html", _example(stands, forms.PlanVersionForm(request.POST), _trying(request)))


@requires("terms.manage")
@require_POST
def discard_draft(request: HttpRequest, code: str) -> HttpResponseBase:
    """Throw a draft away; the published versions stay."""
    plan = get_object_or_404(Plan, pk=code)
    try:
        plans.discard_draft(plan=plan, acting_user=request.user)  # type: ignore[arg-type]
    except plans.NoDraftError as error:
        messages.info(request, str(error))
    else:
        messages.success(request, f"The draft of “{plan}” is gone. What is published stays as it is.")
    return redirect("terms")


@requires("terms.manage")
@require_http_methods(["GET", "HEAD", "POST"])
def publish_draft(request: HttpRequest, code: str) -> HttpResponseBase:
    """Say what publishing changes, and publish."""
    stands = plans.get_standing(get_object_or_404(Plan, pk=code))
    if stands.draft is None:
        messages.info(request, str(plans.NoDraftError(stands.plan)))
        return redirect("terms_draft", code)
    if request.method != "POST":
        return _show_publishing(request, stands.draft, stands)
    try:
        made = plans.publish_draft(
            plan=stands.plan,
            seen=request.POST.get("seen", ""),
            acting_user=request.user,  # type: ignore[arg-type]
            now=clock.now(),
        )
    except (plans.DraftChangedError, plans.NothingChangedError, plans.NoDraftError) as error:
        return _show_publishing(request, stands.draft, stands, refused=str(error))
    messages.success(request, f"“{made.title}” is published as version {made.number}. New agreements are signed under it.")
    return redirect("terms_version", made.pk)


@requires("terms.manage")
@require_safe
def version(request: HttpRequest, version_id: int) -> HttpResponseBase:
    """Show a version of a plan as it was published; a draft is shown in its editor."""
    found = get_object_or_404(PlanVersion.objects.select_related("plan"), pk=version_id)
    if found.published_at is None:
        return redirect("terms_draft", found.plan_id)
    page = {"version": found, "groups": plan_words.describe(plans.terms_of(found)), "agreements": found.agreements.count()}
    return render(request, "agreements/version.html", page)


def _show_editor(request: HttpRequest, stands: plans.Standing, form: forms.PlanVersionForm, *, status: int = 0) -> HttpResponse:
    page = {**stands._asdict(), "form": form, **_example(stands, form, _trying(request))}
    return render(request, "agreements/plan_editor.html", page, status=status or (422 if form.errors else 200))


def _show_changed(request: HttpRequest, plan: Plan, form: forms.PlanVersionForm, error: plans.DraftChangedError) -> HttpResponse:
    """Show what somebody else saved meanwhile; sent again, it is written over knowingly."""
    stands = plans.get_standing(plan)
    said = "; ".join(f"{plan_words.LABELS[name]}: {plan_words.in_words(stands.begins_with, name)}" for name in error.changed)
    there = f"There it says now: {said[:600]}." if said else "It was published or thrown away."
    form.add_error(None, f"{error} {there} Look it over and save again to write over it with what stands here.")
    form.data = {**form.data.dict(), "seen": stands.seen}  # type: ignore[attr-defined]
    return _show_editor(request, stands, form, status=409)


def _show_publishing(request: HttpRequest, draft: PlanVersion, stands: plans.Standing, *, refused: str = "") -> HttpResponse:
    plan, last = stands.plan, stands.last
    signed = last.agreements.filter(ended_on=None).count() if last else 0
    stay = f" {signed} running agreement{'s stay' if signed != 1 else ' stays'} under version {last.number}." if last else ""
    page = {
        **stands._asdict(),
        "changes": plan_words.describe_changes(plans.terms_of(last) if last else None, plans.terms_of(draft)),
        "hidden": [{"name": "seen", "value": stands.seen}],
        "question": f"Publish version {draft.number} of “{plan}”?",
        "effect": f"New agreements are signed under it from now on. It can never be changed, only followed by another.{stay}",
        "button": f"Publish version {draft.number}",
        "publish_url": reverse("terms_publish", args=[plan.pk]),
        "refused": refused,
    }
    return render(request, "agreements/publish.html", page, status=409 if refused else 200)


def _trying(request: HttpRequest) -> forms.ExampleForm:
    """Return what the example is tried with: as sent, else the first instrument, from today, with protection."""
    if request.method == "POST":
        return forms.ExampleForm(request.POST, prefix=EXAMPLE)
    first: dict[str, Any] = {"starts_on": clock.today(), "condition": "returned", "protection": True}
    return forms.ExampleForm(prefix=EXAMPLE, initial=first)


def _example(stands: plans.Standing, form: forms.PlanVersionForm, trying: forms.ExampleForm) -> dict[str, Any]:
    """Work the example out from the editor as it stands, or say what it waits for."""
    page: dict[str, Any] = {"plan": stands.plan, "trying": trying}
    if form.is_bound and not form.is_valid():
        waits = [str(form.fields[name].label) for name in form.errors if name in form.fields]
        return {**page, "waits": f"The example waits for: {', '.join(waits) or 'the answers marked on the page'}."}
    if not trying.has_items():
        return {**page, "waits": "There is no instrument in the catalogue yet: an example needs one with a price."}
    if trying.is_bound and not trying.is_valid():
        return {**page, "waits": ""}
    typed = form.plan_terms() if form.is_bound else stands.begins_with
    try:
        return {**page, "example": make_example(plans.version_of(stands.plan, typed), trying.trying(clock.today()))}
    except (queries.NoRateError, queries.NoTaxAreaError) as error:
        return {**page, "waits": str(error)}
