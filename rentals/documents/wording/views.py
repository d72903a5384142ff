"""The words of letters: which there are, what each says, seen with a real family's figures, changed, and taken up again."""

from dataclasses import asdict

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from rentals.documents import sheets
from rentals.documents.kinds import get_kind
from rentals.documents.models import WordingVersion
from rentals.documents.pdf import CannotMakePdfError
from rentals.documents.wording import operations
from rentals.documents.wording.forms import WordingForm
from rentals.documents.wording.registry import OFFICE_SLOTS, WORDINGS, NothingToShowError, PlaceMissingError, Wording
from rentals.documents.wording.texts import Texts
from rentals.runtime import clock
from rentals.staff.policy import acting_user, requires

LANGUAGES = dict(settings.LANGUAGES)


@requires("wording.edit")
def wordings(request: HttpRequest) -> HttpResponseBase:
    """List the letters, in each language with the version in force."""
    newest = {(v.code, v.language): v for v in WordingVersion.objects.order_by("number").select_related("made_by")}
    rows = [
        {
            "title": found.title,
            "goes_as": found.goes_as,
            "languages": [
                {
                    "name": name,
                    "url": reverse("wording", args=[_slug(found.code), language]),
                    "version": newest.get((found.code, language)),
                }
                for language, name in LANGUAGES.items()
            ],
        }
        for found in sorted(WORDINGS.values(), key=lambda each: each.title)
    ]
    return render(
        request,
        "wording/list.html",
        {"rows": rows, "languages": LANGUAGES, "back": {"label": "Outbox", "url": reverse("outbox")}},
    )


@requires("wording.edit")
@never_cache
def wording(request: HttpRequest, letter: str, language: str) -> HttpResponseBase:
    """Show a letter's words to be changed, and its versions; save what was typed as a new version."""
    found = _find(letter, language)
    version = operations.get_version(found.code, language)
    number = version.number if version else 0
    texts = operations.texts_of(version) if version else operations.standard_texts(found.code, language)
    initial = {**asdict(texts), "seen": number}
    form = WordingForm(request.POST or None, wording=found, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            made = operations.publish(
                code=found.code,
                language=language,
                texts=form.texts(),
                note=form.cleaned_data["note"],
                seen=form.cleaned_data["seen"],
                acting_user=acting_user(request),
                now=clock.now(),
            )
        except operations.WordingChangedError as error:
            form = WordingForm({**request.POST.dict(), "seen": str(number)}, wording=found)
            form.add_error(None, str(error))
        else:
            messages.success(request, f"Version {made.number} is in force for letters written from now on.")
            return redirect("wording", letter=letter, language=language)
    return _page(request, found, form, language)


@requires("wording.edit")
@require_POST
@never_cache
def wording_show(request: HttpRequest, letter: str, language: str) -> HttpResponseBase:
    """Show the letter as a PDF, or its mail, with a family's own figures and the words as typed. Nothing is kept or sent."""
    found = _find(letter, language)
    form = WordingForm(request.POST, wording=found)
    if not form.is_valid():
        return _page(request, found, form, language)
    try:
        page = found.find(request.POST.get("household", "").strip(), language, clock.today())
        page, texts = operations.fill(found, form.texts(), language, page)
        if found.has_mail and (request.POST.get("as") == "mail" or not found.has_paper):
            return _page(request, found, form, language, texts)
        content = sheets.print_now(kind=get_kind(found.kind), page=page, title=found.title, language=language)
    except (NothingToShowError, CannotMakePdfError) as error:
        form.add_error(None, str(error))
        return _page(request, found, form, language)
    return sheets.pdf_answer(content, "as-it-would-be.pdf")


@requires("wording.edit")
@require_POST
def wording_again(request: HttpRequest, letter: str, language: str) -> HttpResponseBase:
    """Put an earlier version in force again, as a new one."""
    found = _find(letter, language)
    number, seen = (request.POST.get(name, "") for name in ("number", "seen"))
    if not all(text.isascii() and text.isdigit() and len(text) < 10 for text in (number, seen)):
        raise Http404
    try:
        made = operations.take_up_again(
            code=found.code,
            language=language,
            number=int(number),
            seen=int(seen),
            acting_user=acting_user(request),
            now=clock.now(),
        )
    except WordingVersion.DoesNotExist:
        raise Http404 from None
    except PlaceMissingError as error:
        messages.error(request, str(error))
    except operations.WordingChangedError:
        messages.error(request, "Somebody changed this letter meanwhile. Look at the version in force, then choose again.")
    else:
        messages.success(request, f"Version {made.number} is in force: {made.note.lower()}.")
    return redirect("wording", letter=letter, language=language)


def _slug(code: str) -> str:
    return code.replace("/", "-")


def _find(letter: str, language: str) -> Wording:
    for found in WORDINGS.values():
        if _slug(found.code) == letter and language in LANGUAGES:
            return found
    raise Http404


def _page(request: HttpRequest, found: Wording, form: WordingForm, language: str, mail: Texts | None = None) -> HttpResponseBase:
    """The page of one letter in one language; with `mail`, how that would read."""
    made = WordingVersion.objects.filter(code=found.code, language=language)
    versions = list(made.order_by("-number").select_related("made_by"))
    context = {
        "form": form,
        "wording": found,
        "letter": _slug(found.code),
        "language": language,
        "language_name": LANGUAGES[language],
        "slots": [("{" + slot + "}", says, found.say_needed(slot)) for slot, says in {**found.slots, **OFFICE_SLOTS}.items()],
        "mail": mail,
        "number": versions[0].number if versions else 0,
        "versions": versions,
        "household": request.POST.get("household", ""),
        "back": {"label": "Words of letters", "url": reverse("wordings")},
    }
    return render(request, "wording/edit.html", context, status=422 if form.errors else 200)
