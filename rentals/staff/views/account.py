"""Signing in and out, and one's own account. The package does the work; here it gets our addresses, our pages and 422s."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from allauth.account import views as account
from allauth.account.decorators import reauthentication_required
from allauth.mfa.base import views as factor
from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal import flows as recovery
from allauth.mfa.totp.internal import flows as totp
from allauth.mfa.totp.views import ActivateTOTPView
from allauth.usersessions import views as sessions
from allauth.usersessions.internal.flows.sessions import end_other_sessions
from django.http import HttpRequest, HttpResponse, HttpResponseBase, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.template.response import TemplateResponse
from django.views.decorators.http import require_http_methods, require_POST

from rentals.staff.models import User
from rentals.staff.parking import remember_who_left
from rentals.staff.passwords import has_second_factor
from rentals.staff.policy import open_to_all, requires

View = Callable[..., HttpResponseBase]


def refused_with_422(view: View) -> View:
    """Answer a form that does not hold with 422, as everywhere in this house."""

    @wraps(view)
    def answered(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        response = view(request, *args, **kwargs)
        if request.method == "POST" and isinstance(response, TemplateResponse) and response.status_code == 200:
            form = (response.context_data or {}).get("form")
            if form is not None and form.errors:
                response.status_code = 422
        return response

    return answered


sign_in = open_to_all(refused_with_422(account.login))
sign_in_code = open_to_all(refused_with_422(factor.authenticate))
change_password = requires("own_account.use")(refused_with_422(account.password_change))
confirm_password = requires("own_account.use")(refused_with_422(account.reauthenticate))
confirm_code = requires("own_account.use")(refused_with_422(factor.reauthenticate))
list_sessions = requires("own_account.use")(sessions.list_usersessions)


@open_to_all
@require_POST
def sign_out(request: HttpRequest) -> HttpResponseBase:
    """Sign out. What this person still sends from an open page is kept for nobody else."""
    user = request.user
    response: HttpResponseBase = account.logout(request)
    if isinstance(user, User) and not request.user.is_authenticated:
        remember_who_left(request, user)
    return response


@requires("own_account.use")
def my_account(request: HttpRequest) -> HttpResponseBase:
    """Show what belongs to the signed-in person: password, second factor, sessions."""
    codes = Authenticator.objects.filter(user_id=request.user.pk, type=Authenticator.Type.RECOVERY_CODES).first()
    return render(
        request,
        "account/my_account.html",
        {"has_factor": has_second_factor(request.user), "codes_left": len(codes.wrap().get_unused_codes()) if codes else 0},
    )


class _SetUpFactor(ActivateTOTPView):  # type: ignore[misc]
    """Set up the app; the recovery codes are shown in the answer, once, and never by a GET."""

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        """Whoever has one already goes to their account."""
        if has_second_factor(request.user):
            return redirect("my_account")
        answer: HttpResponseBase = super().dispatch(request, *args, **kwargs)
        return answer

    def form_valid(self, form: Any) -> HttpResponse:
        """Activate, end other sessions (they signed in without the factor), show the codes."""
        _, codes = totp.activate_totp(self.request, form)
        end_other_sessions(self.request, self.request.user)
        self.request.session["second_factor"] = True
        return show_codes(self.request, codes)


set_up_factor = requires("own_account.use")(refused_with_422(_SetUpFactor.as_view()))


@requires("own_account.use")
@require_http_methods(["GET", "POST"])
@reauthentication_required(app="allauth.mfa")  # type: ignore[untyped-decorator]
def recovery_codes(request: HttpRequest) -> HttpResponseBase:
    """Say what new codes mean, and on POST make them and show them."""
    if not has_second_factor(request.user):
        return HttpResponseRedirect("/my-account/")
    if request.method == "POST":
        return show_codes(request, recovery.generate_recovery_codes(request))
    return render(request, "mfa/recovery_codes.html")


def show_codes(request: HttpRequest, codes: Authenticator | None) -> HttpResponse:
    """Show recovery codes: this page is the only one that ever does."""
    return render(request, "mfa/codes.html", {"codes": codes.wrap().get_unused_codes() if codes else []})
