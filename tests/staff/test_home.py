"""The first page."""

import pytest
from django.urls import reverse

from rentals.staff.policy import EVERYONE

FIRST = {
    "specialist": "Sign a family up",
    "bookkeeper": "Bill the month",
    "technician": "Scan an instrument",
    "manager": "Overdue accounts",
    "administrator": "People",
}


class TestHome:
    @pytest.mark.parametrize("role", sorted(EVERYONE))
    def test_leads_every_role_to_its_own_work_and_nowhere_else(self, client_as, role):
        client = client_as(role)
        page = client.get(reverse("home"))
        assert FIRST[role] in page.content.decode()
        acts = page.context["acts"]
        assert len(acts) >= 2
        for act in acts:
            assert client.get(act.url).status_code == 200, act.label

    def test_counts_what_waits_in_few_queries(self, client_as, django_assert_max_num_queries):
        client = client_as("manager")
        client.get(reverse("home"))
        with django_assert_max_num_queries(12):
            page = client.get(reverse("home"))
        counted = {act.label: act.count for act in page.context["acts"]}
        assert counted["Payments on hand"] == 0
        assert counted["Bill the month"] is None

    def test_sends_a_stranger_to_sign_in(self, client, db):
        response = client.get(reverse("home"))
        assert response.status_code == 302
        assert response["Location"] == f"{reverse('account_login')}?next=/"
