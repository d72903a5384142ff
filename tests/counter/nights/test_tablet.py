"""The tablet's page, worker and door: who may open them, what they say, and that the page names nobody."""

import json
import re

import pytest
from django.urls import reverse

from rentals.counter.nights.tablet import shell
from schools.models import NightStaff
from tests.schools.factories import NightFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def night():
    return NightFactory(school__name="Alder School")


def kept(client) -> dict:
    script = client.get(reverse("tablet_worker")).content.decode()
    return json.loads(re.match(r"const KEPT = (\{.*?\});\n", script)[1])


class TestPage:
    def test_opens_to_the_staff_of_the_night_and_to_a_manager(self, client_as, night):
        specialist = client_as("specialist")
        url = reverse("tablet", args=[night.pk])
        assert specialist.get(url).status_code == 404
        NightStaff.objects.create(night=night, user=specialist.user)
        assert specialist.get(url).status_code == 200
        assert client_as("manager").get(url).status_code == 200

    def test_says_nothing_about_who_asked_or_which_night(self, client_as, night):
        pages = {
            client_as("manager").get(reverse("tablet", args=[night.pk])).content,
            client_as("manager").get(reverse("tablet", args=[NightFactory().pk])).content,
            client_as("specialist").get(reverse("tablet_shell")).content,
        }
        assert len(pages) == 1
        assert b"csrf" not in pages.pop()

    def test_may_use_the_camera(self, client_as, night):
        answer = client_as("manager").get(reverse("tablet", args=[night.pk]))
        assert "camera=(self)" in answer["Permissions-Policy"]


class TestWorker:
    def test_keeps_every_file_of_the_page(self, client):
        files = kept(client)["files"]
        for name in (
            "css/tokens.css",
            "js/night/app.js",
            "js/night/vault.js",
            "js/night/queue.js",
            "fonts/HankenGrotesk-Bold.woff2",
        ):
            stem, ending = name.rsplit(".", 1)
            assert [file for file in files if re.fullmatch(rf"/static/{re.escape(stem)}(\.\w+)?\.{ending}", file)], name
        assert all(shell.read_file(file.removeprefix("/static/")) for file in files)

    def test_is_served_for_the_whole_of_the_tablet_and_never_from_a_cache(self, client):
        answer = client.get(reverse("tablet_worker"))
        assert answer["Service-Worker-Allowed"] == "/tablet/"
        assert "no-store" in answer["Cache-Control"]
        assert answer["Content-Type"].startswith("text/javascript")

    def test_has_another_version_when_a_file_or_the_page_changes(self, client, monkeypatch):
        before = kept(client)["version"]
        assert kept(client)["version"] == before
        read = shell.read_file
        monkeypatch.setattr(shell, "read_file", lambda name: (read(name) or b"") + b" " * name.endswith("vault.js"))
        changed = kept(client)["version"]
        monkeypatch.undo()
        monkeypatch.setattr(shell, "make_page", lambda: shell.render_to_string(shell.SHELL, {}))
        assert len({before, changed, kept(client)["version"]}) == 3


class TestDoor:
    def test_says_who_is_signed_in_and_what_time_it_is(self, client_as, night):
        client = client_as("manager")
        answer = client.get(reverse("tablet_door", args=[night.pk])).json()
        assert answer["person"] == client.user.name
        assert answer["night"] == {"id": night.pk, "school": "Alder School", "state": "planned"}
        assert answer["csrf"]
        assert answer["now"].endswith("+00:00")

    def test_lets_nobody_but_a_manager_agree_to_nothing_tonight(self, client_as, night):
        specialist = client_as("specialist")
        NightStaff.objects.create(night=night, user=specialist.user)
        url = reverse("tablet_door", args=[night.pk])
        assert (client_as("manager").get(url).json()["defer"], specialist.get(url).json()["defer"]) == (True, False)

    def test_is_shut_to_who_does_not_work_there(self, client_as, night):
        assert client_as("specialist").get(reverse("tablet_door", args=[night.pk])).status_code == 404
