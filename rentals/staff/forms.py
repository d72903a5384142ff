"""Forms of sign-in, of one's own account, and of the people who work here."""

from typing import Any

from allauth.account.forms import ChangePasswordForm as PackageChangePasswordForm
from allauth.account.forms import LoginForm, ReauthenticateForm
from allauth.mfa.base.forms import AuthenticateForm
from allauth.mfa.base.forms import ReauthenticateForm as PackageConfirmCodeForm
from allauth.mfa.totp.forms import ActivateTOTPForm
from django import forms
from django.contrib.auth.password_validation import validate_password

from rentals.runtime.forms import ChoiceCards, OfficeForm, OfficeFormMixin
from rentals.staff.models import Role, User
from rentals.staff.policy import EVERYONE

LONG_WORDS = "A few words in a row are long enough and easy to keep in mind. Pasting from a password manager is fine."
ROLE_NOTES: dict[str, str] = {
    Role.SPECIALIST: "Signs families up, takes payments at the counter.",
    Role.BOOKKEEPER: "Bills the month, works payments and the bank. Needs a second factor.",
    Role.TECHNICIAN: "Takes instruments in and out of the shop, keeps the fleet.",
    Role.MANAGER: "Does all of the above and sees what was changed. Needs a second factor.",
    Role.ADMINISTRATOR: "Says who works here. Sees no families and no money. Needs a second factor.",
}


ROLES_HERE = [(role.value, role.label) for role in Role if role in EVERYONE]
"""Of those who work here; a director is invited from the school's page."""


class PersonalFormMixin(OfficeFormMixin):
    """A form about the signed-in person: the browser may fill in what it keeps, and the package's placeholders go."""

    on_shared_device = False
    labels: dict[str, str] = {}
    hints: dict[str, str] = {}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, field in self.fields.items():
            field.widget.attrs.pop("placeholder", None)
            field.label = self.labels.get(name, field.label)
            field.help_text = self.hints.get(name, "")
            field.error_messages["required"] = f"Fill in “{field.label}”."


class SignInForm(PersonalFormMixin, LoginForm):  # type: ignore[misc]
    """E-mail address and password."""

    purposes = {"login": "username"}
    labels = {"login": "E-mail address"}


class ConfirmPasswordForm(PersonalFormMixin, ReauthenticateForm):  # type: ignore[misc]
    """The password once more, before something that matters."""

    labels = {"password": "Your password"}


class ChangePasswordForm(PersonalFormMixin, PackageChangePasswordForm):  # type: ignore[misc]
    """The present password, and the new one twice."""

    labels = {"oldpassword": "Present password", "password1": "New password", "password2": "New password once more"}
    hints = {"password1": LONG_WORDS}


class _CodeMixin(PersonalFormMixin):
    labels = {"code": "Code"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["code"].widget.attrs |= {"inputmode": "numeric", "class": "w-code", "autocomplete": "one-time-code"}


class CodeForm(_CodeMixin, AuthenticateForm):  # type: ignore[misc]
    """The second step of signing in."""

    hints = {"code": "Six figures from your app, or one of your recovery codes."}


class ConfirmCodeForm(_CodeMixin, PackageConfirmCodeForm):  # type: ignore[misc]
    """A code once more, before something that matters."""

    hints = CodeForm.hints


class SetUpFactorForm(_CodeMixin, ActivateTOTPForm):  # type: ignore[misc]
    """The first code, which proves that the app is set up."""

    labels = {"code": "Code from the app"}
    hints = {"code": "Six figures, which change every 30 seconds."}


class ChoosePasswordForm(OfficeForm):
    """A first or new password, behind a one-time link."""

    on_shared_device = False
    password1 = forms.CharField(
        label="Password", help_text=LONG_WORDS, strip=False, widget=forms.PasswordInput({"autocomplete": "new-password"})
    )
    password2 = forms.CharField(
        label="Password once more", strip=False, widget=forms.PasswordInput({"autocomplete": "new-password"})
    )

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        self.user = user
        super().__init__(*args, **kwargs)

    def clean_password1(self) -> str:
        """Hold the password to the rules."""
        password: str = self.cleaned_data["password1"]
        validate_password(password, self.user)
        return password

    def clean(self) -> dict[str, Any]:
        """Compare the two."""
        cleaned = super().clean() or {}
        if {"password1", "password2"} <= cleaned.keys() and cleaned["password1"] != cleaned["password2"]:
            self.add_error("password2", "The two passwords differ. Type the same one twice.")
        return cleaned


class PersonForm(OfficeForm):
    """Who somebody is and what they are here for."""

    name = forms.CharField(label="Name", max_length=120)
    email = forms.EmailField(label="E-mail address", help_text="They sign in with it.")
    role = forms.ChoiceField(label="Role", choices=ROLES_HERE, widget=ChoiceCards(notes=ROLE_NOTES))


class ChangePersonForm(OfficeForm):
    """A person's name and role; the address stays."""

    name = forms.CharField(label="Name", max_length=120)
    role = forms.ChoiceField(label="Role", choices=ROLES_HERE, widget=ChoiceCards(notes=ROLE_NOTES))


class ReasonForm(OfficeForm):
    """Why something is done to a person; it stands in the history."""

    reason = forms.CharField(label="Reason", help_text="One sentence; it is kept in the history.", max_length=200)
