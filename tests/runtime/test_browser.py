"""Fixtures for browser tests: the office's own processes, and a page that tolerates no breach of the content security policy."""

import urllib.error
import urllib.request

import pytest
from django.contrib.staticfiles.finders import get_finders

from rentals.celery import app
from tests.browser import Complaints, Office


class TestOffice:
    def test_serves_pages_and_static_files_and_answers_for_the_worker(self, office: Office, page):
        page.goto(f"{office.url}/health/")
        assert page.inner_text("body") == "ok"
        sheet = next(path for finder in get_finders() for path, _ in finder.list([]) if path.endswith(".css"))
        with urllib.request.urlopen(f"{office.url}/static/{sheet}") as answer:
            assert answer.headers["Content-Type"].startswith("text/css")
        assert [next(iter(reply.values()))["ok"] for reply in app.control.ping(timeout=5)] == ["pong"]

    def test_says_nothing_about_its_inside_when_something_is_not_there(self, office: Office, page):
        answer = page.goto(f"{office.url}/nowhere/")
        assert answer.status == 404
        assert "Traceback" not in page.content()
        assert "urlpatterns" not in page.content()

    def test_refuses_a_host_name_that_is_not_its_own(self, office: Office):
        asked = urllib.request.Request(f"{office.url}/health/", headers={"Host": "elsewhere.test"})
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(asked)
        assert refused.value.code == 400
        refused.value.close()


class TestContentSecurityPolicy:
    @pytest.mark.parametrize(
        "planted",
        [
            "const it = document.createElement('script'); it.textContent = 'window.ran = 1'; document.body.append(it)",
            "document.body.setAttribute('style', 'color: red')",
            "document.body.insertAdjacentHTML('beforeend', '<img src=\"https://elsewhere.test/x.png\">')",
            "document.body.innerHTML = '<button onclick=\"window.ran = 1\">x</button>'; document.querySelector('button').click()",
        ],
    )
    def test_what_is_planted_does_not_run_and_is_noticed(self, office: Office, page, complaints: Complaints, planted: str):
        page.goto(f"{office.url}/nowhere/")
        page.evaluate(f"() => {{ {planted} }}")
        page.wait_for_timeout(200)
        assert page.evaluate("() => window.ran") is None
        assert complaints.policy
        complaints.policy.clear()

    def test_a_page_that_breaks_it_fails_its_test(self, pytester_like, office: Office):
        assert pytester_like(f"{office.url}/nowhere/")


@pytest.fixture
def pytester_like(browser):
    """Run the `context` fixture by hand, with a page that breaks the policy, and tell whether its end objects."""
    from tests import browser as fixtures

    def objects(url: str) -> bool:
        complaints = Complaints([], [])
        steps = fixtures.context.__wrapped__(browser, complaints)
        page = next(steps).new_page()
        page.goto(url)
        page.evaluate("() => { document.body.setAttribute('style', 'color: red') }")
        page.wait_for_timeout(200)
        try:
            next(steps)
        except AssertionError:
            return True
        except StopIteration:
            return False

    return objects
