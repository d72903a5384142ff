"""What the technician says when an instrument comes in or goes out."""

from collections.abc import Sequence
from typing import Any

from django import forms

from rentals.counter.bench.queries import BenchSheet
from rentals.inventory import operations as fleet
from rentals.inventory.forms import TagField
from rentals.inventory.models import Instrument, IntakeNote, Location
from rentals.inventory.photographs.forms import ManyFilesField, ManyFilesInput
from rentals.runtime.forms import DayField, OfficeForm

FINDINGS = [(str(each), each.label) for each in (IntakeNote.Finding.WORN, IntakeNote.Finding.BROKEN)]
NOT_FINE = [("", "Fine"), *FINDINGS]


class ShopForm(OfficeForm):
    """In which shop this happens."""

    location = forms.ModelChoiceField(
        label="Shop",
        queryset=Location.objects.filter(is_active=True).order_by("name"),
        empty_label="Choose the shop",
        error_messages={"required": "Choose the shop where it stands."},
    )

    def __init__(self, *args: Any, shops: Sequence[Location] | None = None, **kwargs: Any) -> None:
        """`shops`: those to offer, where the page has read them already for another of its forms."""
        super().__init__(*args, **kwargs)
        if shops is not None:
            field: Any = self.fields["location"]
            field.choices = [("", field.empty_label), *((shop.pk, shop.name) for shop in shops)]


class TakeInForm(ShopForm):
    """What is wrong, in which condition it came and with which parts, pictures, and which loaner goes out meanwhile."""

    problem_kind = forms.ChoiceField(label="What it needs", required=False)
    problem = forms.CharField(
        label="What is wrong",
        help_text="Or only choose above what it needs.",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    loaner = TagField(label="Loaner that goes out", required=False)
    promised_on = DayField(label="Promised for", required=False)
    again_for = forms.ChoiceField(
        label="Our own work again?", required=False, help_text="Then the shop answers for it, and nobody pays."
    )
    was_checked = forms.BooleanField(label="I have looked at every point; what I did not mark is fine", required=False)
    parts_here = forms.MultipleChoiceField(label="With it came", required=False, widget=forms.CheckboxSelectMultiple)
    parts_were_checked = forms.BooleanField(label="I have looked for every part; what I did not tick is missing", required=False)
    camera = forms.FileField(
        label="Take a picture",
        required=False,
        widget=forms.FileInput(attrs={"accept": "image/*", "capture": "environment"}),
        allow_empty_file=True,
    )
    chosen = ManyFilesField(
        label="Or choose pictures",
        required=False,
        widget=ManyFilesInput(attrs={"accept": "image/jpeg,image/png,image/webp"}),
    )
    asked_together = frozenset({"problem_kind", "problem"})
    main_names = ("problem_kind", "problem", "location", "loaner", "promised_on", "again_for")

    def __init__(self, *args: Any, sheet: BenchSheet, **kwargs: Any) -> None:
        self.sheet = sheet
        super().__init__(*args, **kwargs)
        self.fields["problem"].widget.attrs["data-keep"] = f"in {sheet.instrument.asset_tag}"
        services = [(each.name, each.name) for each in sheet.services]
        self.fields["problem_kind"].choices = [("", "Not known yet"), *services]  # type: ignore[attr-defined]
        self._offer_loaners()
        self._offer_warranty()
        for check in sheet.checks:
            self.fields[f"check_{check.code}"] = forms.ChoiceField(label=check.what, choices=NOT_FINE, required=False)
        parts = [(part.name, part.name + ("" if part.must_come_back else " (may stay away)")) for part in sheet.parts]
        self.fields["parts_here"].choices = parts  # type: ignore[attr-defined]

    def _offer_loaners(self) -> None:
        if not self.sheet.loaners:
            del self.fields["loaner"]
            return
        names = [
            (unit.asset_tag, f"{unit.asset_tag}: {unit.item}, {unit.get_grade_display().lower()}, {_shop_of(unit)}")
            for unit in self.sheet.loaners
        ]
        self.fields["loaner"].widget = forms.Select(choices=[("", "None"), *names])

    def _offer_warranty(self) -> None:
        if not self.sheet.warranty:
            del self.fields["again_for"]
            return
        names = [(str(each.pk), f"{each.number}: {each.problem_kind or each.work_done[:60]}") for each in self.sheet.warranty]
        self.fields["again_for"].choices = [("", "No"), *names]  # type: ignore[attr-defined]

    @property
    def main_fields(self) -> list[Any]:
        """The fields that are always open, in the order of the hand."""
        return [self[name] for name in self.main_names if name in self.fields]

    @property
    def check_fields(self) -> list[Any]:
        """The points of the condition check."""
        return [self[f"check_{check.code}"] for check in self.sheet.checks]

    @property
    def was_opened(self) -> bool:
        """Whether something in the folded part was filled in, so that it is shown again."""
        return self.is_bound and any(self.data.get(name) for name in self.data if name.startswith(("check_", "parts_", "was_")))

    def clean(self) -> dict[str, Any]:
        """Ask for what is wrong in one way or the other, and put the intake together."""
        data = super().clean() or {}
        if not data.get("problem") and not data.get("problem_kind"):
            self.add_error("problem", "Write what is wrong, in a few words.")
        data["problem"] = data.get("problem") or data.get("problem_kind", "")
        chosen = data.get("again_for")
        data["again_for"] = next((each for each in self.sheet.warranty if str(each.pk) == chosen), None)
        data["intake"] = fleet.Intake(findings=self._findings(data), parts=self._parts(data))
        data["pictures"] = [each for each in [data.get("camera"), *(data.get("chosen") or [])] if each is not None]
        return data

    def _findings(self, data: dict[str, Any]) -> list[tuple[str, str]]:
        marked = [(check.what, data.get(f"check_{check.code}") or "") for check in self.sheet.checks]
        fine = str(IntakeNote.Finding.FINE) if data.get("was_checked") else ""
        return [(what, finding or fine) for what, finding in marked if finding or fine]

    def _parts(self, data: dict[str, Any]) -> list[tuple[str, bool, bool]]:
        here = set(data.get("parts_here") or [])
        if not here and not data.get("parts_were_checked"):
            return []
        looked = data.get("parts_were_checked")
        return [(part.name, part.name in here, part.must_come_back) for part in self.sheet.parts if looked or part.name in here]


def _shop_of(unit: Instrument) -> str:
    return str(unit.here.location)  # type: ignore[attr-defined]


class GoOutForm(ShopForm):
    """What was done, in which condition it leaves, and whether the loaner came back."""

    work_done = forms.CharField(
        label="What was done",
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Write what was done, in a few words."},
    )
    grade = forms.ChoiceField(label="Condition it leaves in", choices=Instrument.Grade.choices, required=False)
    loaner_is_back = forms.BooleanField(label="The loaner has come back", required=False, initial=True)
    field_order = ["work_done", "grade", "loaner_is_back", "location"]

    def __init__(self, *args: Any, sheet: BenchSheet, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["work_done"].widget.attrs["data-keep"] = f"out {sheet.instrument.asset_tag}"
        self.fields["work_done"].required = sheet.order is not None
        self.fields["grade"].initial = sheet.instrument.grade
        if sheet.holder is None or sheet.holder.loaner is None:
            del self.fields["loaner_is_back"]
        else:
            self.fields["loaner_is_back"].label = f"The loaner {sheet.holder.loaner.asset_tag} has come back"
