"""Who changed what: for the manager and the administrator."""

from django import forms
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_GET

from rentals.runtime.forms import DayField, OfficeForm
from rentals.staff import changes
from rentals.staff.limits import limited
from rentals.staff.models import User
from rentals.staff.operations import SYSTEM_EMAIL
from rentals.staff.policy import acting_user, requires


class ChangesForm(OfficeForm):
    """What to look for."""

    person = forms.ModelChoiceField(User.objects.order_by("name", "pk"), label="Who", required=False, empty_label="Anybody")
    kind = forms.ChoiceField(label="What", required=False)
    object_id = forms.CharField(label="Number", required=False, max_length=40)
    since = DayField(label="From", required=False)
    until = DayField(label="To", required=False)
    before = forms.CharField(required=False, max_length=120, widget=forms.HiddenInput)

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [("", "Anything"), *changes.list_kinds()]  # type: ignore[attr-defined]
        people = self.fields["person"]
        people.label_from_instance = lambda user: f"{user.name} (by itself)" if user.email == SYSTEM_EMAIL else user.name  # type: ignore[attr-defined]

    def wanted(self) -> changes.Filter:
        """Give the filter; a field that cannot be read filters nothing."""
        found = self.cleaned_data
        person = found.get("person")
        return changes.Filter(
            person_id=person.pk if person else None,
            kind=found.get("kind", ""),
            object_id=found.get("object_id", ""),
            since=found.get("since"),
            until=found.get("until"),
            before=found.get("before", ""),
        )


@requires("audit.view")
@limited("history", per_minute=60)
@require_GET
def list_changes(request: HttpRequest) -> HttpResponseBase:
    """List changes, newest first."""
    form = ChangesForm(request.GET)
    is_valid = form.is_valid()
    page, older = changes.list_changes(wanted=form.wanted(), viewer=acting_user(request))
    asked = {key for key, value in request.GET.items() if value} - {"before"}
    context = {"form": form, "changes": page, "older": older, "filtered": bool(asked), "is_later_page": "before" in request.GET}
    return render(request, "staff/history.html", context, status=200 if is_valid else 422)
