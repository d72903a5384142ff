"""Finding a family or writing it down, in a real browser and by keyboard alone."""

import pytest
from django.conf import settings

from rentals.families.models import Household
from tests.browser import list_violations
from tests.families.factories import HouseholdFactory, StudentFactory


@pytest.fixture
def counter(page, live_server, client_as):
    """A page of the browser, signed in as a specialist."""
    cookie = client_as("specialist").cookies[settings.SESSION_COOKIE_NAME]
    page.context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
    return page


def type_into(page, label, text):
    """Walk by Tab until the field with this label has the focus, then type: nobody touches a mouse here."""
    for _ in range(60):
        page.keyboard.press("Tab")
        named = page.evaluate("() => [...(document.activeElement.labels ?? [])].map(each => each.textContent.trim()).join(' ')")
        if named.startswith(label):
            page.keyboard.type(text)
            return
    message = f"no way to {label} by keyboard"
    raise AssertionError(message)


class TestFindOrAddByKeyboard:
    def test_three_letters_find_the_family_from_anywhere(self, counter, live_server):
        household = HouseholdFactory(name="Rivera", guardian__given_name="Ana")
        StudentFactory(household=household, given_name="Zoë")
        counter.goto(f"{live_server.url}/schools/")
        counter.keyboard.press("Tab")
        counter.keyboard.press("/")
        counter.keyboard.type("riv")
        hit = counter.locator("#search-results a").first
        hit.wait_for()
        assert "Zoë" in hit.inner_text()
        for _ in range(10):
            counter.keyboard.press("Tab")
            if counter.evaluate("() => document.activeElement.closest('#search-results') !== null"):
                break
        counter.keyboard.press("Enter")
        counter.wait_for_url(f"**/households/{household.pk}/")

    def test_a_likely_family_is_offered_and_another_one_is_created_anyway(self, counter, live_server):
        HouseholdFactory(name="Rivera", guardian__phone="+13125550142")
        counter.goto(f"{live_server.url}/households/new/")
        answers = {
            "First name": "Ana",
            "Last name": "Rivera",
            "Telephone": "312 555 0142",
            "Street and number": "12 Oak Street",
            "City": "Springdale",
            "State": "IL",
            "ZIP code": "62704",
        }
        for label, text in answers.items():
            type_into(counter, label, text)
        counter.keyboard.press("Enter")
        counter.get_by_text("This may be the same family").wait_for()
        assert counter.locator("#id_phone").input_value() == "312 555 0142"
        assert counter.evaluate("() => document.activeElement.id") == "likely"
        assert list_violations(counter) == []
        for _ in range(20):
            counter.keyboard.press("Tab")
            if "create anyway" in counter.evaluate("() => document.activeElement.textContent"):
                break
        counter.keyboard.press("Enter")
        counter.wait_for_url("**/households/*/")
        counter.get_by_role("heading", name="Rivera", exact=True).wait_for()
        assert Household.objects.count() == 2
