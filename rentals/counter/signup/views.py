"""The screens of the sign-up: find the family, one sheet, review with signature and first payment, done."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from billing.taking.days import TakingClosedError
from rentals.agreements import drafts, errors, life, queries, wording
from rentals.agreements.models import Agreement, SignUpDraft
from rentals.agreements.operations import SignatureGiven
from rentals.agreements.periods import period_at
from rentals.counter.signup import order as orders
from rentals.counter.signup.forms import SheetForm, SigningForm
from rentals.counter.signup.operations import (
    FirstPayment,
    FirstPaymentTooSmallError,
    complete_sign_up,
    get_first_payment,
)
from rentals.counter.signup.sheet import Answers, Known, Panel, build_panel, load_known, plan_words
from rentals.documents import queries as documents
from rentals.families import forms as family_forms
from rentals.families import operations as families
from rentals.families import queries as family_queries
from rentals.families import rules as family_rules
from rentals.families.models import Household
from rentals.runtime import clock, refill
from rentals.runtime.locks import RowsBusyError
from rentals.staff.limits import SEARCHES, limited
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import may, requires

REFUSALS = (
    errors.TermsChangedError,
    errors.NotOfThisHouseholdError,
    errors.StartsLaterError,
    FirstPaymentTooSmallError,
    TakingClosedError,
    RequestKeyReusedError,
    RowsBusyError,
    queries.NoPlanVersionError,
    queries.NoRateError,
    queries.NoTaxAreaError,
)


@requires("agreements.sign")
@limited("search", per_minute=SEARCHES)
@require_safe
def start(request: HttpRequest) -> HttpResponseBase:
    """Find the family that signs up, or go on with a sign-up begun before."""
    text = request.GET.get("q", "")
    context = {"text": text, "short": len(text.strip()) < 3, "hits": family_queries.search_households(text, 10)}
    if request.htmx:  # type: ignore[attr-defined]
        return render(request, "counter/signup/hits.html", context)
    return render(request, "counter/signup/start.html", {**context, "drafts": queries.list_drafts(request.user)})  # type: ignore[arg-type]


@requires("agreements.sign")
@require_http_methods(["GET", "HEAD", "POST"])
def new_family(request: HttpRequest) -> HttpResponseBase:
    """Write a new family down and begin its sign-up; one that may be there already is offered first."""
    form = family_forms.AddHouseholdForm(request.POST or None, initial=family_rules.known_from(request.GET.get("q", "")))
    page: dict[str, Any] = {"form": form}
    if request.method != "POST":
        return render(request, "counter/signup/new_family.html", page)
    if not form.is_valid():
        return render(request, "counter/signup/new_family.html", page, status=422)
    if "anyway" not in request.POST:
        page["likely"] = family_queries.list_likely_duplicates(
            **form.guardian(), street=form.cleaned_data["street"], postal_code=form.cleaned_data["postal_code"]
        )
        if page["likely"]:
            return render(request, "counter/signup/new_family.html", page, status=409)
    try:
        household = families.add_household(
            **form.household(),
            guardian=form.guardian(),
            acting_user=request.user,  # type: ignore[arg-type]
            request_key=form.cleaned_data["request_key"],
        )
    except RequestKeyReusedError as error:
        form.add_error(None, str(error))
        return render(request, "counter/signup/new_family.html", page, status=422)
    return _begin(request, household)


@requires("agreements.sign")
@require_POST
def begin(request: HttpRequest) -> HttpResponseBase:
    """Begin a sign-up for a household that was found."""
    household_id = request.POST.get("household", "")
    household = get_object_or_404(Household, pk=int(household_id) if household_id.isdigit() else 0)
    return _begin(request, household)


def _begin(request: HttpRequest, household: Household) -> HttpResponse:
    answers = orders.first_answers(household, request.POST)
    draft = drafts.begin_draft(household=household, answers=answers, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
    return redirect("signup_sheet", draft.pk)


@requires("agreements.sign")
@require_http_methods(["GET", "HEAD", "POST"])
def sheet(request: HttpRequest, draft_id: UUID) -> HttpResponseBase:
    """The one sheet. Every way of sending it saves it; only "Review" also checks it."""
    draft = _draft(request, draft_id)
    if draft.agreement_id:
        return _signed_already(request, draft)
    if request.method != "POST":
        typed = refill.typed_before()
        draft.data = draft.data if typed is None else orders.answers_from(typed)
        return _show_sheet(request, draft, draft.data)
    answers = orders.answers_from(request.POST)
    saved = drafts.save_answers(draft=draft, answers=answers, now=clock.now())
    if "take" in request.POST or "update" in request.POST:
        return redirect("signup_sheet", draft.pk)
    known, panel = _read(saved)
    form = SheetForm(answers, known=known, panel=panel)
    if form.is_valid():
        return redirect("signup_review", draft.pk)
    return render(request, "counter/signup/sheet.html", _sheet_page(draft, form, panel), status=422)


@requires("agreements.sign")
@require_POST
def panel(request: HttpRequest, draft_id: UUID) -> HttpResponseBase:
    """Save the sheet as it is now and send back the parts that follow from what changed."""
    draft = _draft(request, draft_id)
    if draft.agreement_id:
        return HttpResponse(status=204, headers={"HX-Redirect": _done_url(draft)})
    before: Answers = draft.data
    answers = orders.answers_from(request.POST)
    answers = orders.with_proposed_size(answers, before, load_known(draft, clock.today()))
    draft = drafts.save_answers(draft=draft, answers=answers, now=clock.now())
    known, follows = _read(draft)
    page = _sheet_page(draft, SheetForm(initial=answers, known=known, panel=follows), follows)
    page["parts"] = orders.parts_to_send(before, answers, taken="take" in request.POST)
    return render(request, "counter/signup/panel.html", page)


@requires("agreements.sign")
@require_http_methods(["GET", "HEAD", "POST"])
def review(request: HttpRequest, draft_id: UUID) -> HttpResponseBase:
    """Everything once more, the text, the signature and the first payment; sent once, it signs."""
    draft = _draft(request, draft_id)
    if draft.agreement_id:
        return _signed_already(request, draft)
    known, follows = _read(draft)
    checked = SheetForm(draft.data, known=known, panel=follows)
    if not checked.is_valid():
        gone = follows.verdict.gone if follows.verdict else None
        if gone and request.method == "POST":
            return render(request, "counter/signup/taken.html", {"draft": draft, "error": gone}, status=409)
        return render(request, "counter/signup/sheet.html", _sheet_page(draft, checked, follows), status=422)
    order = orders.read_order(draft, checked)
    form = SigningForm(
        request.POST if request.method == "POST" else None,
        initial={"amount": order.quote.due_today, "shown": order.sha256},
        due_today=order.quote.due_today,
        may_defer=may(request.user, "agreements.defer_payment"),
        guardian=str(order.signup.guardian),
    )
    page = {"draft": draft, "order": order, "order_panel": follows, "form": form}
    page |= {"consent_wording": wording.consent_wording(), "received": Agreement.ReceivedAt(order.signup.received_at).label}
    if request.method != "POST":
        return render(request, "counter/signup/review.html", page)
    if not form.is_valid():
        return render(request, "counter/signup/review.html", page, status=422)
    return _sign(request, draft, page)


def _sign(request: HttpRequest, draft: SignUpDraft, page: dict[str, Any]) -> HttpResponse:
    form, order = page["form"], page["order"]
    cleaned = form.cleaned_data
    signature = SignatureGiven(
        signer_name=cleaned["signer_name"] or form.guardian,
        method="drawn" if cleaned["strokes"] else "typed",
        strokes=cleaned["strokes"],
        consent_wording=wording.consent_wording(),
        device=request.headers.get("User-Agent", "")[:200],
    )
    try:
        complete_sign_up(
            draft=draft,
            signup=order.signed_with(signature, shown=cleaned["shown"]),
            payment=FirstPayment(cleaned["method"], cleaned["amount"].amount, cleaned["cheque_number"]),
            acting_user=request.user,  # type: ignore[arg-type]
            now=clock.now(),
            today=clock.today(),
        )
    except errors.InstrumentNotAvailableError as error:
        return render(request, "counter/signup/taken.html", {**page, "error": error}, status=409)
    except REFUSALS as error:
        form.add_error(None, str(error))
        form.data = {**form.data.dict(), "shown": order.sha256}
        return render(request, "counter/signup/review.html", page, status=409)
    return redirect("signup_done", draft.pk)


@requires("agreements.sign")
@require_POST
def take_instead(request: HttpRequest, draft_id: UUID) -> HttpResponseBase:
    """Put another instrument on the sheet than the one that was gone, and go back to the review."""
    draft = _draft(request, draft_id)
    if draft.agreement_id:
        return _signed_already(request, draft)
    answers = {**draft.data, "tag": request.POST.get("tag", "")}
    drafts.save_answers(draft=draft, answers=answers, now=clock.now())
    return redirect("signup_review", draft.pk)


@requires("agreements.sign")
@require_safe
def done(request: HttpRequest, draft_id: UUID) -> HttpResponseBase:
    """What came of it: the agreement, its PDF as soon as it is made, the mail, and the next student of the family."""
    draft = _draft(request, draft_id)
    if draft.agreement is None:
        return redirect("signup_sheet", draft.pk)
    agreement = queries.list_agreements().get(pk=draft.agreement.pk)
    page = {"draft": draft, "agreement": agreement, "payment": get_first_payment(agreement), **_papers(agreement.pk)}
    page |= {"next_due_on": period_at(life.list_segments(agreement), 1).begins_on}
    return render(request, "counter/signup/done.html", page)


@requires("agreements.sign")
@require_safe
def papers(request: HttpRequest, draft_id: UUID) -> HttpResponseBase:
    """The state of the PDF and its mail, asked for again until it is made."""
    draft = _draft(request, draft_id)
    return render(request, "counter/signup/papers.html", {"draft": draft, **_papers(draft.agreement_id)})


@requires("agreements.sign")
@require_POST
def discard(request: HttpRequest, draft_id: UUID) -> HttpResponseBase:
    """Throw an unfinished sign-up away."""
    draft = _draft(request, draft_id)
    try:
        drafts.discard_draft(draft=draft)
    except drafts.DraftSignedError:
        return _signed_already(request, draft)
    messages.success(request, f"The unfinished sign-up for {draft.household.name} is gone; the family stays written down.")
    return redirect("signup")


def _draft(request: HttpRequest, draft_id: UUID) -> SignUpDraft:
    """Load one of this person's own sign-ups; another's does not exist for them."""
    own = SignUpDraft.objects.select_related("household", "agreement").filter(user=request.user)  # type: ignore[misc]
    return get_object_or_404(own, pk=draft_id)


def _read(draft: SignUpDraft) -> tuple[Known, Panel]:
    known = load_known(draft, clock.today())
    return known, build_panel(draft.data, known)


def _show_sheet(request: HttpRequest, draft: SignUpDraft, answers: Answers) -> HttpResponse:
    known, follows = _read(draft)
    form = SheetForm(initial=dict(answers), known=known, panel=follows)
    return render(request, "counter/signup/sheet.html", _sheet_page(draft, form, follows))


def _sheet_page(draft: SignUpDraft, form: SheetForm, follows: Panel) -> dict[str, Any]:
    version = follows.picked.version
    page = {"draft": draft, "form": form, "panel": follows, "quote": follows.quote, "household": draft.household}
    return {**page, "plan_words": plan_words(version) if version else ""}


def _papers(agreement_id: int | None) -> dict[str, Any]:
    about = f"agreement/{agreement_id}"
    message = documents.list_messages().filter(about=about).first()
    return {"document": documents.list_documents(about=about).first(), "message": message}


def _done_url(draft: SignUpDraft) -> str:
    return str(redirect("signup_done", draft.pk).url)


def _signed_already(request: HttpRequest, draft: SignUpDraft) -> HttpResponse:
    """Say that it is done, whatever the browser still shows; nothing is made again."""
    assert draft.agreement is not None
    messages.info(request, f"This sign-up was signed already as {draft.agreement.number}. Nothing was made again.")
    return redirect("signup_done", draft.pk)
