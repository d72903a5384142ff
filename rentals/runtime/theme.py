"""The choice between light and dark, kept in a cookie of the browser. Nothing is stored about the person."""

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST

THEMES = ("light", "dark")
A_YEAR = 365 * 24 * 3600


@require_POST
def choose_theme(request: HttpRequest) -> HttpResponse:
    """Remember the theme and go back to the page; anything but light or dark follows the device again."""
    back = request.POST.get("back", "")
    if not url_has_allowed_host_and_scheme(back, allowed_hosts={request.get_host()}, require_https=request.is_secure()):
        back = "/"
    response = HttpResponseRedirect(back)
    theme = request.POST.get("theme", "")
    if theme in THEMES:
        response.set_cookie("theme", theme, max_age=A_YEAR, samesite="Lax", secure=request.is_secure())
    else:
        response.delete_cookie("theme", samesite="Lax")
    return response
