"""What every answer tells the browser (OWASP ASVS 5.0, V3.3, V3.4, V14.3.2), and what an error says (V16.5)."""

import logging

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import path, reverse

from rentals.runtime.logs import DiscreetFormatter
from rentals.staff.limits import is_over, limited
from rentals.staff.policy import open_to_all, requires
from rentals.urls import urlpatterns as project
from tests.factories import UserFactory

CANARY = "Quillfeather"
POLICY = ["default-src 'self'", "object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'", "form-action 'self'"]


def breaks(request):
    raise ValueError(f"{CANARY} of {CANARY}@rentals.example, (312) 555-0142")


urlpatterns = [
    *project,
    path("breaks/", open_to_all(breaks), name="breaks"),
    path("limited/", requires("home.view")(limited("test", per_minute=3)(lambda request: HttpResponse("ok"))), name="limited"),
]
pytestmark = pytest.mark.urls(__name__)


def answers(client_as):
    client = client_as("specialist", raise_request_exception=False)
    return {
        200: client.get("/my-account/"),
        302: Client().get("/"),
        403: client.get("/people/"),
        404: client.get("/nowhere/"),
        500: client.get("/breaks/"),
        "static": client.get("/static/css/base.css"),
    }


class TestHeaders:
    def test_on_every_kind_of_answer(self, client_as):
        for kind, response in answers(client_as).items():
            assert response.status_code == (kind if isinstance(kind, int) else 200), kind
            policy = response["Content-Security-Policy"]
            assert [part for part in POLICY if part not in policy] == [], kind
            assert "unsafe" not in policy
            assert response["X-Content-Type-Options"] == "nosniff", kind
            assert response["X-Frame-Options"] == "DENY" if kind != "static" else True
            assert response["Referrer-Policy"] == "same-origin", kind
            assert "geolocation=()" in response["Permissions-Policy"], kind
            assert len(response["X-Request-ID"]) == 12, kind
            if kind != "static":
                assert response["Cache-Control"] == "no-store, private", kind
            response.close()

    def test_cookies_are_for_the_server_alone(self, client, db):
        person = UserFactory(password=True)
        from tests.factories import PASSWORD

        client.get("/sign-in/")
        client.post("/sign-in/", {"login": person.email, "password": PASSWORD})
        assert set(client.cookies) == {"sessionid", "csrftoken"}
        for cookie in client.cookies.values():
            assert cookie["httponly"]
            assert cookie["samesite"] == "Lax"
            assert cookie["path"] == "/"
            assert not cookie["domain"]


class TestErrors:
    def test_shows_no_trace(self, client_as, caplog):
        client = client_as("specialist", raise_request_exception=False)
        caplog.handler.setFormatter(DiscreetFormatter("%(message)s"))
        page = client.get("/breaks/").content.decode()
        assert "Internal Server Error: /breaks/" in caplog.text
        assert CANARY not in caplog.text.replace('f"{CANARY}', "")
        assert "Something broke on our side" in page
        assert CANARY not in page
        assert "Traceback" not in page

    def test_a_log_line_has_frames_type_and_nothing_that_was_typed(self):
        try:
            breaks_with_cause()
        except RuntimeError as error:
            record = logging.LogRecord("x", 40, __file__, 1, "for %s at %s", (f"{CANARY.lower()}@a.example", "312-555-0142\nforged"), (type(error), error, error.__traceback__))  # fmt: skip  # noqa: E501
        line = DiscreetFormatter("%(message)s").format(record)
        assert "in breaks_with_cause" in line
        assert "builtins.RuntimeError" in line
        assert "builtins.ValueError" in line
        assert CANARY.lower() not in line.lower().replace("breaks_with_cause", "")
        assert "555" not in line
        assert line.splitlines()[0] == "for (address) at (number) forged"


def breaks_with_cause():
    text = CANARY + " 4242"
    try:
        int(text)
    except ValueError as error:
        raise RuntimeError(text) from error


class TestLimited:
    def test_refuses_the_fourth_in_a_minute_and_counts_people_apart(self, client_as):
        client = client_as("specialist")
        assert [client.get("/limited/").status_code for _ in range(4)] == [200, 200, 200, 429]
        assert client.get("/limited/")["Retry-After"] == "60"
        assert "Wait a minute" in client.get("/limited/").content.decode()
        assert client_as("specialist").get("/limited/").status_code == 200


SEARCHES = [("specialist", "search"), ("specialist", "household_find"), ("specialist", "signup")]
EXPORTS = [("specialist", "household_export"), ("technician", "instruments_export"), ("bookkeeper", "journal_csv")]
EXPORTS += [("bookkeeper", "journal_beancount")]


class TestWhatIsLimited:
    @pytest.mark.parametrize(("role", "name"), SEARCHES)
    def test_searches_to_120_a_minute_of_whatever_kind(self, client_as, role, name):
        client = client_as(role)
        pages = [client.get(reverse(each), {"q": "Wr"}) for _, each in SEARCHES]
        assert [page.status_code for page in pages] == [200, 200, 200]
        for _ in range(120 - len(pages) - 1):
            is_over("search", pages[0].wsgi_request, 120)
        assert client.get(reverse(name), {"q": "Wr"}).status_code == 200
        refused = client.get(reverse(name), {"q": "Wr"})
        assert refused.status_code == 429
        assert "Wait a minute" in refused.content.decode()
        assert client_as(role).get(reverse(name), {"q": "Wr"}).status_code == 200

    @pytest.mark.parametrize(("role", "name"), EXPORTS)
    def test_exports_to_ten_a_minute(self, client_as, role, name):
        client = client_as(role)
        answers = [client.get(reverse(name)) for _ in range(11)]
        assert [answer.status_code for answer in answers] == [*[200] * 10, 429]
        assert "Wait a minute" in answers[-1].content.decode()
        for answer in answers:
            answer.close()
