"""How news reaches a guardian: chosen at the office, or stopped by the family through the link that every reminder carries."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import translation
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from rentals.documents import stopping
from rentals.families import forms, news, operations
from rentals.families.models import Guardian
from rentals.runtime import clock
from rentals.staff.models import Office
from rentals.staff.policy import acting_user, open_to_all, requires

LANGUAGES = {"en": "English", "es": "Español"}


@requires("households.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def guardian_news(request: HttpRequest, guardian_id: int) -> HttpResponseBase:
    """Choose how a guardian gets news."""
    guardian = get_object_or_404(Guardian.objects.select_related("household"), pk=guardian_id)
    shown = {
        "news_by": guardian.news_by,
        "reminders": guardian.reminders,
        "quiet_from": f"{guardian.quiet_from:%H:%M}" if guardian.quiet_from else "",
        "quiet_until": f"{guardian.quiet_until:%H:%M}" if guardian.quiet_until else "",
        "version": guardian.household.version,
    }
    form = forms.NewsForm(request.POST or None, initial=shown)
    status = 200
    if request.method == "POST" and form.is_valid():
        try:
            news.choose_news(
                guardian_id=guardian.pk,
                version=form.cleaned_data["version"],
                news=form.news(),
                mail_works=form.cleaned_data["mail_works"],
                acting_user=acting_user(request),
                now=clock.now(),
            )
        except operations.HouseholdChangedError as error:
            form.data = {**form.data.dict(), "version": str(error.household.version)}  # type: ignore[attr-defined]
            form.add_error(None, "Somebody saved this family while you were choosing. Save again to put your choice in place.")
            status = 409
        else:
            messages.success(request, f"Noted how news reaches {guardian}.")
            return redirect("household", guardian.household_id)
    elif form.is_bound:
        status = 422
    return render(request, "families/news.html", {"form": form, "guardian": guardian}, status=status)


@open_to_all
@csrf_exempt
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def stop_reminders(request: HttpRequest, token: str) -> HttpResponseBase:
    """Stop the reminders of the family whose link this is; looking at the page changes nothing.

    A mail program posts here by itself, without a session and without our token of forms: the signed address is the proof
    (RFC 8058). It answers 400 to an address that we did not sign. The page names nobody, since links are passed on.
    """
    guardian_id = stopping.read_token(token)
    guardian = Guardian.objects.select_related("household").filter(pk=guardian_id).first() if guardian_id else None
    wished = request.GET.get("in", "")
    language = wished if wished in LANGUAGES else guardian.household.language if guardian else "en"
    page: dict[str, Any] = {"language": language, "other": next(pair for pair in LANGUAGES.items() if pair[0] != language)}
    office = Office.objects.first()
    page |= {"office": office, "office_name": office.name if office else "Rental office"}
    with translation.override(language):
        if guardian is None:
            status = 400 if request.method == "POST" else 404
            return render(request, "families/stop_unknown.html", page, status=status)
        if request.method == "POST":
            instead = Guardian.Reminders.LETTER if request.POST.get("instead") == "letter" else Guardian.Reminders.NONE
            how = Guardian.ChosenBy.LINK
            guardian = news.stop_reminders(guardian_id=guardian.pk, how=how, instead=instead, now=clock.now()) or guardian
            return render(request, "families/stopped.html", {**page, "choice": guardian.reminders})
        return render(request, "families/stop.html", {**page, "choice": guardian.reminders})
