"""The pages of the form from home: at most three fields each, of the office's own forms, in the family's language."""

from typing import Any, ClassVar

from django import forms
from django.core.exceptions import ValidationError

from rentals.families.forms import GRADES, AddressFields, GuardianFields, StudentFields
from rentals.inventory import reference
from rentals.inventory.models import InstrumentKind
from rentals.portal.models import HomeForm
from rentals.portal.words import say
from rentals.runtime.forms import ChoiceCards, OfficeForm, OfficeFormMixin
from schools.models import Programme

UNSURE = "unsure"


class FamilyPage(OfficeFormMixin):
    """A page of a form: those of its fields that are asked here, said in the family's language, on the family's own device."""

    on_shared_device = False
    asks: ClassVar[tuple[str, ...]]
    labels: ClassVar[dict[str, str]] = {}
    hints: ClassVar[dict[str, str]] = {}
    fields: dict[str, forms.Field]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields = {name: self.fields[name] for name in self.asks}
        self.prepare()
        for name, field in self.fields.items():
            field.label = say(self.labels.get(name, field.label or ""))
            field.help_text = say(self.hints.get(name, field.help_text))
            field.error_messages = {code: say(text) for code, text in field.error_messages.items()}

    def prepare(self) -> None:
        """Offer what there is to choose from; before anything is translated."""

    def add_error(self, field: str | None, error: Any) -> None:
        """Say what is wrong in the family's language, wherever the sentence comes from."""
        wrong = error if isinstance(error, ValidationError) else ValidationError(error)
        if not hasattr(wrong, "error_dict"):
            for each in wrong.error_list:
                each.message = say(each.message)
        super().add_error(field, wrong)  # type: ignore[misc]

    def answers(self) -> dict[str, Any]:
        """Return what is saved of this page."""
        cleaned: dict[str, Any] = self.cleaned_data  # type: ignore[attr-defined]
        return {name: cleaned[name] for name in self.asks}


class WhoPage(FamilyPage, GuardianFields):
    """The adult's name."""

    asks = ("given_name", "family_name")
    labels = {"given_name": "Your first name", "family_name": "Your last name"}


class ReachPage(FamilyPage, GuardianFields):
    """How to reach the adult."""

    asks = ("phone", "email")
    asked_together = frozenset({"phone", "email"})
    labels = {"email": "E-mail address"}
    hints = {"phone": "With the area code. We call only about the rental."}


class StreetPage(FamilyPage, AddressFields):
    """The first lines of the address."""

    asks = ("street", "unit")


class TownPage(FamilyPage, AddressFields):
    """The last line of the address."""

    asks = ("city", "state", "postal_code")
    hints = {"state": "Two letters, like IL."}


class StudentPage(FamilyPage, StudentFields):
    """The student's name and school year; with only one program at the night it is that."""

    asks = ("given_name", "family_name", "grade")
    purposes = {"given_name": "off", "family_name": "off"}
    labels = {"given_name": "Student’s first name", "family_name": "Student’s last name"}
    hints = {"grade": "The grade this school year."}

    def __init__(self, *args: Any, programmes: list[Programme], **kwargs: Any) -> None:
        self.programmes = programmes
        super().__init__(*args, **kwargs)

    def prepare(self) -> None:
        """Ask for the year: whoever fills this in knows it."""
        grade = self.fields["grade"]
        grade.choices = [("", say("Choose")), *((value, say(label)) for value, label in GRADES if value)]  # type: ignore[attr-defined]
        grade.required = True
        grade.error_messages |= dict.fromkeys(("required", "invalid_choice"), "Choose the student’s grade.")

    def answers(self) -> dict[str, Any]:
        """Take the only program along."""
        only = {"programme": self.programmes[0]} if len(self.programmes) == 1 else {}
        return super().answers() | only


class _Programmes(forms.ModelChoiceField):  # type: ignore[type-arg]
    """A choice of programs in the family's language; the school is named where there is more than one."""

    names_school = False

    def label_from_instance(self, obj: Programme) -> str:
        """Write a program as a family knows it."""
        kind = say(obj.get_kind_display())
        return f"{obj.school}: {kind}" if self.names_school else kind


class ProgrammePage(FamilyPage, StudentFields):
    """Band or orchestra."""

    asks = ("programme",)
    labels = {"programme": "Program"}

    def __init__(self, *args: Any, programmes: list[Programme], **kwargs: Any) -> None:
        self.programmes = programmes
        super().__init__(*args, **kwargs)

    def prepare(self) -> None:
        """Offer the programs of the night."""
        field = _Programmes(
            queryset=Programme.objects.filter(pk__in=[each.pk for each in self.programmes]).select_related("school"),
            widget=ChoiceCards,
            empty_label=None,
            error_messages={"required": "Choose the program.", "invalid_choice": "Choose one of these programs."},
        )
        field.names_school = len({programme.school_id for programme in self.programmes}) > 1
        field.asked_together = False  # type: ignore[attr-defined]
        self.fields["programme"] = field


class InstrumentPage(FamilyPage, OfficeForm):
    """The instrument the family has in mind."""

    asks = ("kind",)
    kind = forms.ChoiceField(
        label="Instrument",
        widget=ChoiceCards,
        error_messages={
            "required": "Choose an instrument, or “I am not sure yet”.",
            "invalid_choice": "Choose one of these instruments, or “I am not sure yet”.",
        },
    )

    def __init__(self, *args: Any, kinds: list[InstrumentKind], **kwargs: Any) -> None:
        self.kinds = {kind.pk: kind for kind in kinds}
        super().__init__(*args, **kwargs)

    def prepare(self) -> None:
        """Offer the kinds that fit the program."""
        unsure = (UNSURE, say("I am not sure yet"))
        kind = self.fields["kind"]
        kind.choices = [*((code, say(each.name)) for code, each in self.kinds.items()), unsure]  # type: ignore[attr-defined]
        kind.widget.notes = {UNSURE: say("We help you choose at the night.")}

    def answers(self) -> dict[str, Any]:
        """Return the kind, None for not sure."""
        return {"kind": self.kinds.get(self.cleaned_data["kind"])}


class SizePage(FamilyPage, OfficeForm):
    """The size of a bowed string, as far as the family knows it."""

    asks = ("size",)
    size = forms.ChoiceField(
        label="Size",
        widget=ChoiceCards,
        error_messages={
            "required": "Choose a size, or “I do not know”.",
            "invalid_choice": "Choose one of these sizes, or “I do not know”.",
        },
    )

    def __init__(self, *args: Any, kind_code: str, **kwargs: Any) -> None:
        self.kind_code = kind_code
        super().__init__(*args, **kwargs)

    def prepare(self) -> None:
        """Offer the sizes of the kind, with the arm's length that goes with each where one is published."""
        rows = reference.list_sizes(self.kind_code)
        size = self.fields["size"]
        size.choices = [*((row.size, row.size) for row in rows), (UNSURE, say("I do not know"))]  # type: ignore[attr-defined]
        arms = {
            row.size: say("Arm at least %(inches)s inches, from the neck to the middle of the palm")
            % {"inches": f"{row.arm_inches.normalize():f}"}
            for row in rows
            if row.arm_inches
        }
        size.widget.notes = {**arms, UNSURE: say("We measure at the night.")}

    def answers(self) -> dict[str, Any]:
        """Return the size, "" for not known."""
        size = self.cleaned_data["size"]
        return {"size": "" if size == UNSURE else size}


class ProtectionPage(FamilyPage, OfficeForm):
    """What the family thinks of protection; nothing is decided by it."""

    asks = ("protection",)
    protection = forms.ChoiceField(
        label="Protection",
        widget=ChoiceCards,
        error_messages={"required": "Choose one; you decide at the night.", "invalid_choice": "Choose one of these answers."},
    )

    def prepare(self) -> None:
        """Offer three answers, each with what it means."""
        protection = self.fields["protection"]
        protection.choices = [  # type: ignore[attr-defined]
            (HomeForm.Protection.YES, say("Yes, with protection")),
            (HomeForm.Protection.NO, say("No, without protection")),
            (HomeForm.Protection.ASK, say("I want to hear more first")),
        ]
        protection.widget.notes = {
            HomeForm.Protection.YES: say("For a monthly price, we pay repairs of accidental damage as the plan says."),
            HomeForm.Protection.NO: say("You pay repairs of damage. Normal wear and the yearly cleaning are never yours to pay."),
            HomeForm.Protection.ASK: say("You see prices and terms at the night, before you sign."),
        }


def make(page: str, data: Any, *, form: HomeForm, programmes: list[Programme], kinds: list[InstrumentKind]) -> Any:
    """Build the form of a page with what the family said before; `data` None shows it."""
    family = form.family
    if page in SIMPLE:
        fields = SIMPLE[page].asks
        row = form if page == "protection" else family
        return SIMPLE[page](data, initial={name: getattr(row, name) for name in fields})
    if page == "student":
        return StudentPage(data, programmes=programmes, initial={name: getattr(form, name) for name in StudentPage.asks})
    if page == "program":
        return ProgrammePage(data, programmes=programmes, initial={"programme": form.programme_id})
    if page == "instrument":
        chosen = form.kind_id or (UNSURE if page in form.answered else None)
        return InstrumentPage(data, kinds=kinds, initial={"kind": chosen})
    chosen = form.size or (UNSURE if page in form.answered else None)
    return SizePage(data, kind_code=form.kind_id or "", initial={"size": chosen})


SIMPLE: dict[str, Any] = {
    "who": WhoPage,
    "reach": ReachPage,
    "street": StreetPage,
    "town": TownPage,
    "protection": ProtectionPage,
}
