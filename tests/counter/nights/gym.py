"""The office as a tablet in a gym meets it: it answers, fails, hangs, and counts what arrived. For browser tests."""

import json
import threading
from dataclasses import dataclass, field
from pathlib import Path

from django.http import HttpRequest, HttpResponse, HttpResponseNotModified, JsonResponse
from django.urls import include, path

from rentals.runtime import clock
from rentals.staff.policy import acting_user, requires

PHRASE = "oboe 4471"
SLOWLY = 60_000


@dataclass
class Gym:
    """What the office did so far, and how it answers next ("" well, "fail", "lost": done but answered with an error, "hang")."""

    answers: list[str] = field(default_factory=list)
    arrived: list[str] = field(default_factory=list)
    posts: int = 0
    go_on: threading.Event = field(default_factory=threading.Event)
    reached: threading.Event = field(default_factory=threading.Event)
    refused: set[str] = field(default_factory=set)
    deaf: bool = False
    gone: set[str] = field(default_factory=set)
    packs: list[int] = field(default_factory=list)
    given_up: list[dict] = field(default_factory=list)

    def take_in(self, envelope: dict) -> HttpResponse:
        """Take an envelope in once, whatever the answer then is."""
        self.posts += 1
        how = self.answers.pop(0) if self.answers else ""
        if how == "fail":
            return HttpResponse("broken", status=500)
        if envelope["id"] in self.refused:
            return JsonResponse({"outcome": "refused", "why": "The student has no name.", "field": "student"}, status=422)
        if envelope["id"] not in self.arrived:
            self.arrived.append(envelope["id"])
        self.reached.set()
        if how == "hang":
            self.go_on.wait(20)
        if how == "lost":
            return HttpResponse("gateway", status=502)
        number = f"A-{self.arrived.index(envelope['id']) + 1:06}"
        return JsonResponse({"id": envelope["id"], "outcome": "arrived", "agreement": number, "url": "/", "unit": "VN-1"})


GYM = Gym()
PACK = Path(__file__).parents[2] / "data" / "night_pack.json"


@requires("nights.sign_up")
def night_take_in(request: HttpRequest) -> HttpResponse:
    """Answer as `GYM` says."""
    return GYM.take_in(json.loads(request.body))


@requires("nights.sign_up")
def tablet_pack(request: HttpRequest, night_id: int) -> HttpResponse:
    """Give a small pack with two instruments and one family."""
    pack = json.loads(PACK.read_text())
    students = [{"id": 5, "given_name": "Ottilie", "family_name": "Quarrington", "grade": 5, "programme": 1}]
    family = {"household": 3, "name": "Quarrington", "city": "Springdale", "guardians": [], "students": students}
    night = {**pack["night"], "id": night_id, "school": "Alder School"}
    units = [unit for unit in pack["units"][:2] if unit["tag"] not in GYM.gone]
    version = f"{len(GYM.gone):016d}"
    same = request.headers.get("If-None-Match") == f'"{version}"'
    GYM.packs.append(304 if same else 200)
    if same:
        return HttpResponseNotModified()
    facts = {"made_at": clock.now().isoformat(), "version": version, "night": night, "units": units, "families": [family]}
    return JsonResponse({**pack, **facts})


@requires("nights.sign_up")
def night_give_up(request: HttpRequest, night_id: int) -> HttpResponse:
    """Note what a tablet lets go, unless nothing is heard."""
    if GYM.deaf:
        return HttpResponse("broken", status=500)
    GYM.given_up.append(json.loads(request.body))
    return JsonResponse({"id": GYM.given_up[-1]["id"], "by": acting_user(request).name})


# Of two addresses with one name Django gives the last: these stand in for the office's own.
urlpatterns = [
    path("", include("rentals.urls")),
    path("test/take-in/", night_take_in, name="night_take_in"),
    path("test/<int:night_id>/given-up/", night_give_up, name="night_give_up"),
    path("test/<int:night_id>/pack/", tablet_pack, name="tablet_pack"),
]
