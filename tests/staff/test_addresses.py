"""What somebody writes into an address by hand, or a scanner of weak spots does: no screen breaks over it."""

import pytest
from django.urls import reverse

SCREENS = ["journal", "journal_csv", "fleet_assets", "agreements", "outbox", "search", "household_find", "schools", "bank"]


@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.parametrize("asked", ["%00", "Reed%00s", "\0"])
def test_nul_characters_count_for_nothing(client_as, screen, asked):
    address = reverse(screen) + "?" + "&".join(f"{name}={asked}" for name in ("q", "text", "kind", "account", "household", "tag"))
    answer = client_as("manager").get(address)
    assert answer.status_code == 200
    assert b"\0" not in b"".join(answer)


def test_the_rest_of_what_was_asked_counts(client_as):
    page = client_as("bookkeeper").get(reverse("journal") + "?text=Ree%00ds&household=H-0%000012")
    assert (page.context["wanted"]["text"], page.context["wanted"]["household"]) == ("Reeds", "H-00012")
