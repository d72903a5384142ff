"""Authorising, ending, and what of it is where."""

import re

import pytest

from billing.autopay import authorising, crypto, rules
from billing.models import AutopayAuthorisation
from rentals.documents.models import OutboxMessage
from tests.billing.autopay.conftest import CANARY, NOW, ROUTING, authorised
from tests.billing.factories import GuardianFactory, HouseholdFactory


class TestAuthorise:
    def test_seals_the_number_and_sends_the_copy(self, authorisation, bookkeeper):
        assert (authorisation.last_four, authorisation.routing_number) == ("5518", ROUTING)
        assert CANARY.encode() not in bytes(authorisation.account_sealed)
        about = crypto.about_account(authorisation.pk)
        assert crypto.ring().open(authorisation.account_sealed, about=about).decode() == CANARY
        message = OutboxMessage.objects.get(household=authorisation.household)
        assert message.document == authorisation.document
        assert "ten days before" in message.body
        assert "checking account ending in 5518" in authorisation.wording

    def test_twice_is_refused(self, authorisation):
        with pytest.raises(authorising.AlreadyAuthorisedError, match="5518 is in force since"):
            authorised(authorisation.household)

    def test_needs_the_banks_details(self, db):
        with pytest.raises(authorising.SetupMissingError):
            authorised(HouseholdFactory())

    def test_online_needs_a_check_of_the_account(self, setup):
        with pytest.raises(authorising.AccountNotCheckedError):
            authorised(HouseholdFactory(), channel="online")
        assert authorised(HouseholdFactory(), channel="online", account_checked="Test deposits told").channel == "online"

    @pytest.mark.parametrize("number", ["", "12", "123456789012345678", "12;DROP", "١٢٣٤"])
    def test_refuses_what_is_no_account_number_without_repeating_it(self, setup, number):
        with pytest.raises(authorising.AccountNumberError) as refused:
            authorised(HouseholdFactory(), number=number)
        assert len(number) < 3 or number not in str(refused.value)

    def test_refuses_a_routing_number_that_is_none(self, setup):
        with pytest.raises(rules.RoutingNumberError):
            authorised(HouseholdFactory(), routing_number="076401252")

    @pytest.mark.parametrize(
        ("number", "shown"), [("7391846205518", "5518"), ("123", "3"), ("12345", "45"), ("1234-5678", "5678")]
    )
    def test_shows_four_digits_and_never_more_than_half(self, number, shown):
        assert authorising.last_four_of(number) == shown

    def test_the_same_account_is_known_again_without_opening_it(self, setup):
        first, second = authorised(HouseholdFactory()), authorised(HouseholdFactory())
        third = authorised(HouseholdFactory(), number="7391846205519")
        assert first.account_index == second.account_index != third.account_index
        assert re.fullmatch("[0-9a-f]{64}", first.account_index)

    def test_the_number_is_in_no_repr(self, setup):
        given = authorising.Authorised(HouseholdFactory(), None, "checking", ROUTING, CANARY, NOW.date())
        assert CANARY not in repr(given)


class TestEnd:
    def test_ends_with_a_reason_once(self, authorisation, bookkeeper):
        ended = authorising.end(authorisation=authorisation, how="revoked", why="Moved banks", acting_user=bookkeeper, now=NOW)
        assert (ended.ended_how, ended.ended_why, ended.ended_by) == ("revoked", "Moved banks", bookkeeper)
        with pytest.raises(authorising.NotInForceError):
            authorising.end(authorisation=authorisation, how="revoked", why="Again", acting_user=bookkeeper, now=NOW)

    def test_asks_why(self, authorisation, bookkeeper):
        with pytest.raises(authorising.ReasonMissingError):
            authorising.end(authorisation=authorisation, how="revoked", why=" ", acting_user=bookkeeper, now=NOW)

    def test_another_may_follow(self, authorisation, bookkeeper):
        authorising.end(authorisation=authorisation, how="revoked", why="Moved banks", acting_user=bookkeeper, now=NOW)
        again = authorised(authorisation.household, number="4445556667")
        assert list(AutopayAuthorisation.objects.filter(ended_at=None)) == [again]

    def test_a_guardian_of_another_family_cannot(self, setup):
        from django.db import IntegrityError

        with pytest.raises(IntegrityError, match="no guardian"):
            authorised(HouseholdFactory(), guardian=GuardianFactory())
