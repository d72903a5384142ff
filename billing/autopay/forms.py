"""What people type about autopay. Nothing here writes, and an account number is never shown again."""

import datetime
import uuid
from typing import Any

from django import forms

from billing.autopay import authorising, rules
from billing.autopay.authorising import Authorised
from billing.models import AutopayAuthorisation, AutopaySetup
from rentals.families.models import Household
from rentals.runtime.forms import ChoiceCards, DayField, MoneyField, OfficeForm

Channel, AccountType = AutopayAuthorisation.Channel, AutopayAuthorisation.AccountType


class NeverShownAgain(forms.TextInput):
    """A text that a refused form does not give back: it is typed anew."""

    def format_value(self, value: Any) -> None:
        """Show nothing, whatever was typed."""
        return


class AccountField(forms.CharField):
    """An account number. Its errors do not repeat it."""

    def __init__(self, **options: Any) -> None:
        attrs = {"inputmode": "numeric", "autocomplete": "off", "spellcheck": "false", "class": "w-code"}
        super().__init__(widget=NeverShownAgain(attrs=attrs), max_length=40, strip=True, **options)

    def clean(self, value: Any) -> str:
        """Drop blanks and check the form."""
        text = super().clean(value)
        try:
            return authorising.clean_account_number(text)
        except authorising.AccountNumberError as error:
            raise forms.ValidationError(str(error)) from error


class RoutingField(forms.CharField):
    """A routing number, checked by its digits."""

    def __init__(self, **options: Any) -> None:
        attrs = {"inputmode": "numeric", "autocomplete": "off", "spellcheck": "false", "class": "w-code"}
        super().__init__(widget=forms.TextInput(attrs=attrs), max_length=20, **options)

    def clean(self, value: Any) -> str:
        """Return the nine digits."""
        text = super().clean(value)
        try:
            return rules.clean_routing_number(text)
        except rules.RoutingNumberError as error:
            raise forms.ValidationError(str(error)) from error


class AuthoriseForm(OfficeForm):
    """Who authorises which account, and how."""

    guardian = forms.ChoiceField(label="Who authorizes?", widget=ChoiceCards)
    account_type = forms.ChoiceField(label="Kind of account", choices=AccountType.choices, widget=ChoiceCards)
    routing_number = RoutingField(label="Routing number", help_text="The first nine digits at the bottom of a check.")
    account_number = AccountField(label="Account number", help_text="Kept locked; only its end is shown.")
    account_number_again = AccountField(label="Account number once more", help_text="So that no digit is mistyped.")
    account_name = forms.CharField(
        label="Name on the account", required=False, max_length=60, help_text="If it is not the guardian’s own name."
    )
    channel = forms.ChoiceField(label="How was it authorized?", choices=Channel.choices, widget=ChoiceCards)
    account_checked = forms.CharField(
        label="How was the account checked?",
        required=False,
        max_length=80,
        help_text="Asked for when it was authorized online: test deposits, a checking service, a voided check.",
    )
    authorised_on = DayField(label="Signed on")
    is_signed = forms.BooleanField(label="The guardian signed these words and gets a copy")
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, household: Household, today: datetime.date, **options: Any) -> None:
        super().__init__(*args, **options)
        self.household, self.today = household, today
        self.guardians = {str(each.pk): each for each in household.guardians.order_by("-is_primary", "pk")}
        self.fields["guardian"].choices = [(key, str(each)) for key, each in self.guardians.items()]  # type: ignore[attr-defined]
        first = next(iter(self.guardians), "")
        for name, value in {
            "guardian": first,
            "account_type": "checking",
            "channel": "in_person",
            "authorised_on": today,
        }.items():
            self.initial.setdefault(name, value)
        self.initial.setdefault("request_key", uuid.uuid4())

    def clean_authorised_on(self) -> datetime.date:
        """Refuse a day to come."""
        day: datetime.date = self.cleaned_data["authorised_on"]
        if day > self.today:
            raise forms.ValidationError("Nobody signs in the future: write the day of the signature.")
        return day

    def clean(self) -> dict[str, Any]:
        """See that both account numbers are the same, and that an online account was checked."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        first, again = cleaned.get("account_number"), cleaned.get("account_number_again")
        if first and again and first != again:
            self.add_error("account_number_again", "The two account numbers differ. Type both anew.")
        elif self.errors and first:
            self.add_error("account_number", "Type the account number anew, twice: a page never gives it back.")
        if cleaned.get("channel") == Channel.ONLINE and not (cleaned.get("account_checked") or "").strip():
            self.add_error("account_checked", "Say how it was checked that the account is theirs.")
        return cleaned

    def given(self) -> Authorised:
        """Return what was authorised."""
        told = self.cleaned_data
        return Authorised(
            household=self.household,
            guardian=self.guardians[told["guardian"]],
            account_type=told["account_type"],
            routing_number=told["routing_number"],
            account_number=told["account_number"],
            authorised_on=told["authorised_on"],
            account_name=told["account_name"],
            channel=told["channel"],
            account_checked=told["account_checked"],
        )


class EndForm(OfficeForm):
    """Why autopay ends."""

    how = forms.ChoiceField(
        label="Who ends it?",
        choices=[("revoked", "The family"), ("office", "The office")],
        widget=ChoiceCards,
        initial="revoked",
    )
    why = forms.CharField(label="Why, and how were we told?", max_length=200, help_text="Asked for when a debit is questioned.")


class SetupForm(OfficeForm):
    """What the bank gave the shop for its files."""

    bank_name = forms.CharField(label="The shop’s bank", max_length=23)
    bank_routing = RoutingField(label="The bank’s routing number")
    origin = forms.RegexField(
        r"^[0-9A-Z ]{1,10}$",
        label="Immediate origin",
        help_text="Up to ten characters, as the bank’s letter says. Often the company number.",
        error_messages={"invalid": "Digits and capital letters only, at most ten."},
    )
    company_name = forms.RegexField(
        r"^[A-Z0-9 .&'/-]{1,16}$",
        label="Company name",
        help_text="At most 16 capitals: families read it on their bank statements.",
        error_messages={"invalid": "Capital letters, digits and . & ' / - only, at most 16."},
    )
    company_id = forms.RegexField(
        r"^[0-9A-Z]{10}$",
        label="Company number",
        help_text="Ten characters, given by the bank.",
        error_messages={"invalid": "Exactly ten digits or capital letters."},
    )
    approval_limit = MoneyField(label="A run above this is approved by a second person")

    def setup(self) -> AutopaySetup:
        """Return the row as it was typed; the view's operation saves it."""
        told = self.cleaned_data
        names = ("bank_name", "bank_routing", "origin", "company_name", "company_id")
        return AutopaySetup(**{name: told[name] for name in names}, approval_limit=told["approval_limit"].amount)


class PrepareForm(OfficeForm):
    """On which day the debits are to settle."""

    wanted_on = DayField(label="Debit on", help_text="The first banking day that a file can reach, or a later one.")


class RefusedForm(OfficeForm):
    """What the bank said."""

    why = forms.CharField(
        label="What did the bank say?",
        max_length=200,
        help_text="Its own words, and who said it: Company number unknown, Ms. Ortiz at the bank’s desk.",
        error_messages={"required": "Write what the bank said: whoever makes the next file has to know."},
    )


class AnswersForm(OfficeForm):
    """The bank's file of returns and corrections."""

    file = forms.FileField(
        label="File of returns from the bank",
        help_text="Returns and notifications of change, as the bank gives them.",
        allow_empty_file=True,
        max_length=200,
        error_messages={"required": "Choose the file that you downloaded from the bank."},
    )
