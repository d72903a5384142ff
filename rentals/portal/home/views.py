"""The family's form from home: public, one question or a tight group a page, in English or Spanish, without any script.

Nobody signs in here. Who sees a form says its ticket (`tickets`); what was answered is saved page by page.
"""

import uuid
from collections.abc import Callable
from functools import wraps
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import translation
from django.views.decorators.http import require_http_methods, require_POST

from rentals.inventory.models import InstrumentKind
from rentals.portal import operations, queries, rules
from rentals.portal.home import forms, overview, tickets
from rentals.portal.models import HomeForm, NightDoor
from rentals.portal.words import LANGUAGES, is_language, other_language, say
from rentals.runtime import clock
from rentals.staff.limits import WINDOW_SECONDS, is_over
from rentals.staff.models import Office
from rentals.staff.policy import open_to_all
from schools.models import Programme

READS, SENDS, WRONG = 300, 120, 30
"""A minute and address: a whole school may stand behind one. WRONG: of addresses that lead nowhere."""

SWITCH = "switch"
"""Name of the button that asks for the same page in another language."""

Page = Callable[..., HttpResponseBase]

TITLES = {
    "who": "Who are you?",
    "reach": "How can we reach you?",
    "street": "Where do you live?",
    "town": "Your town",
    "student": "Who will play?",
    "program": "Which program?",
    "instrument": "Which instrument?",
    "size": "Which size?",
    "protection": "Would you like protection?",
}
NOTES = {
    "who": "The parent or guardian who will sign at the night.",
    "reach": "A telephone number or an e-mail address; both if you like.",
    "street": "The address where your family lives. It goes on the agreement.",
    "student": "A parent or guardian fills this in, never a child. We ask for no birth date and nothing about health.",
    "instrument": "What you have in mind now. You can change it at the night.",
    "size": "Bowed strings come in sizes. A guess is fine.",
    "protection": "A wish, not a decision: you decide at the night.",
}


def at_door(view: Page) -> Page:
    """Find the door of the address, count who asks, and turn away at a door that is not there or closed."""

    @open_to_all
    @wraps(view)
    def found(request: HttpRequest, door_code: str, **kwargs: Any) -> HttpResponseBase:
        sends = request.method == "POST"
        if is_over("home send" if sends else "home read", request, SENDS if sends else READS):
            return _turned_away(request, "slow", 429)
        door = queries.get_door(door_code)
        if door is None:
            wrong = is_over("home wrong", request, WRONG)
            return _turned_away(request, "slow" if wrong else "unknown", 429 if wrong else 404)
        if not queries.is_open(door, today=clock.today()):
            return _turned_away(request, "closed", 410)
        return view(request, door, **kwargs)

    return found


def in_own_form(view: Page) -> Page:
    """Find the browser's own form at the place of the address, and speak its language; without one, begin."""

    @wraps(view)
    def found(request: HttpRequest, door: NightDoor, place: int, **kwargs: Any) -> HttpResponseBase:
        browser = tickets.find(request, door)
        own = queries.list_forms(browser, door) if browser else []
        form = next((each for each in own if each.place == place), None)
        if browser is None or form is None:
            return redirect("home_form", door.code)
        switched = request.POST.get(SWITCH, "")
        if is_language(switched):
            form.family = operations.choose_language(family=form.family, language=switched)
        with translation.override(form.family.language):
            response = view(request, door, form, **kwargs)
        if request.method == "POST":
            tickets.keep(response, request, browser, door)
        return response

    return found


@at_door
@require_http_methods(["GET", "HEAD", "POST"])
def start(request: HttpRequest, door: NightDoor) -> HttpResponseBase:
    """Ask for the language, and begin; who has begun already sees the own forms."""
    browser = tickets.find(request, door)
    own = queries.list_forms(browser, door) if browser else []
    if request.method == "POST":
        language = request.POST.get("language", "")
        if is_language(language):
            browser = browser or uuid.uuid4()
            form = operations.begin_form(door=door, browser=browser, language=language, now=clock.now())
            response = redirect("home_form", door.code) if "stay" in request.POST else _go_on(door, form)
            tickets.keep(response, request, browser, door)
            return response
        return _first_page(request, door, wrong=True)
    if not own:
        return _first_page(request, door)
    language = own[0].family.language
    with translation.override(language):
        rows = [{"form": form, "url": _url_of(door, form)} for form in own]
        return _shown(request, "mine", door, language, rows=rows, family=own[0].family, last=own[-1])


@at_door
@in_own_form
@require_http_methods(["GET", "HEAD", "POST"])
def page(request: HttpRequest, door: NightDoor, form: HomeForm, page: str) -> HttpResponseBase:
    """Ask one page's questions and keep the answers; then on to the next page, or back to the overview."""
    programmes = queries.list_programmes(door.night)
    pages = _pages(form, programmes)
    if page not in pages or form.used_at:
        return redirect("home_form", door.code)
    if SWITCH in request.POST:
        return _asked(request, door, form, page, typed=True)
    if request.method == "POST":
        asked = _form_of(page, request.POST, form, programmes)
        if not asked.is_valid():
            return _asked(request, door, form, page, asked=asked)
        operations.save_page(form=form, page=page, answers=asked.answers(), now=clock.now())
        saved = next(each for each in queries.list_forms(form.family.browser, door) if each.pk == form.pk)
        return _go_on(door, saved)
    return _asked(request, door, form, page)


@at_door
@in_own_form
@require_http_methods(["GET", "HEAD", "POST"])
def review(request: HttpRequest, door: NightDoor, form: HomeForm) -> HttpResponseBase:
    """Show all answers, each with a way to change it; sending them hands the form in, once."""
    pages = _pages(form, queries.list_programmes(door.night))
    missing = rules.next_open(pages, {*form.family.answered, *form.answered})
    if missing:
        return redirect("home_page", door.code, form.place, missing)
    if SWITCH in request.POST:
        return redirect("home_review", door.code, form.place)
    if request.method == "POST" and not form.used_at:
        operations.finish_form(form=form, pages=pages, now=clock.now())
    if request.method == "POST" or form.used_at:
        return redirect("home_done", door.code, form.place)
    rows = overview.list_rows(form, door, pages)
    return _shown(request, "review", door, form.family.language, child=form, rows=rows, form_sent=bool(form.finished_at))


@at_door
@in_own_form
@require_http_methods(["GET", "HEAD", "POST"])
def done(request: HttpRequest, door: NightDoor, form: HomeForm) -> HttpResponseBase:
    """Show the family's code and what to bring."""
    if not form.finished_at:
        return redirect("home_review", door.code, form.place)
    if request.method == "POST":
        return redirect("home_done", door.code, form.place)
    shown: dict[str, Any] = {"child": form, "family": form.family, "office": Office.objects.first(), "kind": say(form.kind or "")}
    return _shown(request, "done", door, form.family.language, **shown)


@at_door
@in_own_form
@require_POST
def another(request: HttpRequest, door: NightDoor, form: HomeForm) -> HttpResponseBase:
    """Begin the form of a brother or sister: nothing of the family is asked again."""
    try:
        child = operations.add_child(form=form, now=clock.now())
    except operations.TooManyChildrenError:
        return redirect("home_form", door.code)
    return redirect("home_page", door.code, child.place, "student") if not child.finished_at else _go_on(door, child)


def _pages(form: HomeForm, programmes: list[Programme]) -> tuple[str, ...]:
    return rules.pages_of(has_sizes=bool(form.kind and form.kind.has_sizes), programmes=len(programmes))


def _kinds(form: HomeForm) -> list[InstrumentKind]:
    """Offer the strings to an orchestra, everything else and the bass to a band; all of them while the program is not known."""
    kinds = queries.list_kinds()
    if form.programme is None:
        return kinds
    return [kind for kind in kinds if rules.fits(form.programme.kind, family=kind.family, code=kind.code)]


def _form_of(page: str, data: Any, form: HomeForm, programmes: list[Programme]) -> Any:
    kinds = _kinds(form) if page == "instrument" else []
    return forms.make(page, data, form=form, programmes=programmes, kinds=kinds)


def _url_of(door: NightDoor, form: HomeForm) -> str:
    """Return where a form goes on: its first open page, the overview, or the end."""
    if form.finished_at:
        return reverse("home_done", args=[door.code, form.place])
    pages = _pages(form, queries.list_programmes(door.night))
    missing = rules.next_open(pages, {*form.family.answered, *form.answered})
    if missing:
        return reverse("home_page", args=[door.code, form.place, missing])
    return reverse("home_review", args=[door.code, form.place])


def _go_on(door: NightDoor, form: HomeForm) -> HttpResponse:
    """Lead to the next open page; with all answered to the overview, also for a form that was handed in and is changed."""
    pages = _pages(form, queries.list_programmes(door.night))
    missing = rules.next_open(pages, {*form.family.answered, *form.answered})
    return redirect("home_page", door.code, form.place, missing) if missing else redirect("home_review", door.code, form.place)


def _asked(
    request: HttpRequest, door: NightDoor, form: HomeForm, page: str, *, asked: Any = None, typed: bool = False
) -> HttpResponse:
    """Show a page: as it stands, with what is wrong, or (typed) with what was typed before another language was chosen."""
    programmes = queries.list_programmes(door.night)
    pages = _pages(form, programmes)
    if asked is None:
        asked = _form_of(page, None, form, programmes)
    if typed:
        asked.initial |= {name: request.POST[name] for name in asked.fields if name in request.POST}
    place = pages.index(page)
    before = pages[place - 1] if place else ""
    is_whole = rules.next_open(pages, {*form.family.answered, *form.answered}) is None
    words = {"title": say(TITLES[page]), "note": say(NOTES.get(page, ""))}
    status = 422 if asked.errors else 200
    shown = {"form": asked, "child": form, "before": before, "number": place + 1, "count": len(pages), "is_whole": is_whole}
    return _shown(request, "page", door, form.family.language, status=status, page=page, **words, **shown)


def _first_page(request: HttpRequest, door: NightDoor, *, wrong: bool = False) -> HttpResponse:
    """Show the first page, in both languages: with a ticket, so that sending it twice begins once."""
    ticket = tickets.make(uuid.uuid4(), door)
    shown = {"door": door, "night": door.night, "ticket": ticket, "languages": LANGUAGES, "wrong": wrong, "language": "en"}
    return render(request, "portal/home/start.html", shown, status=422 if wrong else 200)


def _shown(request: HttpRequest, name: str, door: NightDoor, language: str, *, status: int = 200, **more: Any) -> HttpResponse:
    family = more.get("family") or more["child"].family
    shown = {"door": door, "night": door.night, "language": language, "other": other_language(language), **more}
    shown["ticket"] = tickets.make(family.browser, door)
    return render(request, f"portal/home/{name}.html", shown, status=status)


def _turned_away(request: HttpRequest, why: str, status: int) -> HttpResponse:
    """Say in both languages why there is no form here."""
    response = render(request, "portal/home/away.html", {"why": why, "office": Office.objects.first()}, status=status)
    if status == 429:
        response["Retry-After"] = str(WINDOW_SECONDS)
    return response
