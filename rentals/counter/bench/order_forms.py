"""What is written on a work order. Each form carries the version of the order that its sender saw."""

from decimal import Decimal
from typing import Any

from django import forms

from rentals.counter.bench.order_queries import OrderSheet
from rentals.inventory import work_queries, work_rules
from rentals.inventory.models import Estimate, RepairPart, WorkOrder
from rentals.runtime.forms import ChoiceCards, DayField, MoneyField, OfficeForm, WholeNumberField
from rentals.staff.models import Role, User

ESTIMATE_ROWS = 4
PAYERS = {
    WorkOrder.PaidBy.PROTECTION: "What the protection of the agreement covers.",
    WorkOrder.PaidBy.WARRANTY: "Our own earlier work did not hold.",
    WorkOrder.PaidBy.SHOP: "Ordinary wear, or nobody rents it.",
    WorkOrder.PaidBy.FAMILY: "Damage without cover. The family is asked first.",
}


class OrderForm(OfficeForm):
    """A form on the page of a work order."""

    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, sheet: OrderSheet, **options: Any) -> None:
        self.sheet = sheet
        initial = {"version": sheet.order.version, **(options.pop("initial", None) or {})}
        super().__init__(*args, initial=initial, **options)


class StateForm(OrderForm):
    """Where the work goes next, with a word about it."""

    note = forms.CharField(label="A word about it", required=False, max_length=200)
    to = forms.ChoiceField(choices=WorkOrder.State.choices, widget=forms.HiddenInput)


class StopForm(OrderForm):
    """Why it goes back unrepaired."""

    note = forms.CharField(
        label="Why it goes back unrepaired",
        max_length=200,
        error_messages={"required": "Write why it goes back unrepaired, in a few words."},
    )


class PayerForm(OrderForm):
    """Who pays."""

    paid_by = forms.ChoiceField(
        label="Who pays",
        widget=ChoiceCards(notes={str(payer): note for payer, note in PAYERS.items()}),
        error_messages={"required": "Choose who pays."},
    )
    again_for = forms.ChoiceField(label="Which earlier work", required=False)

    def __init__(self, *args: Any, sheet: OrderSheet, **options: Any) -> None:
        decided = sheet.order.paid_by if sheet.order.paid_by != WorkOrder.PaidBy.UNDECIDED else ""
        same = sheet.order.again_for_id or (sheet.same_work.pk if sheet.same_work else "")
        super().__init__(*args, sheet=sheet, initial={"paid_by": decided, "again_for": same}, **options)
        payers = [(str(payer), payer.label) for payer in PAYERS]
        if not sheet.warranty:
            payers = [pair for pair in payers if pair[0] != WorkOrder.PaidBy.WARRANTY]
            del self.fields["again_for"]
        else:
            names = [(str(each.pk), f"{each.number}: {each.problem_kind or each.work_done[:60]}") for each in sheet.warranty]
            self.fields["again_for"].choices = [("", "None"), *names]  # type: ignore[attr-defined]
        if sheet.holder is None:
            payers = [pair for pair in payers if pair[0] in {WorkOrder.PaidBy.WARRANTY, WorkOrder.PaidBy.SHOP}]
        self.fields["paid_by"].choices = payers  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Ask which earlier work it is where the shop answers for it."""
        data = super().clean() or {}
        chosen = data.get("again_for")
        data["again_for"] = next((each for each in self.sheet.warranty if str(each.pk) == chosen), None)
        if data.get("paid_by") == WorkOrder.PaidBy.WARRANTY and data["again_for"] is None:
            self.add_error("again_for", "Choose the earlier work that the shop answers for.")
        return data


class AssignForm(OrderForm):
    """Who works on it, and for which day it is promised."""

    assigned_to = forms.ModelChoiceField(
        label="Who works on it", queryset=User.objects.none(), required=False, empty_label="Nobody in particular"
    )
    promised_on = DayField(label="Promised for", required=False)

    def __init__(self, *args: Any, sheet: OrderSheet, **options: Any) -> None:
        now = {"assigned_to": sheet.order.assigned_to_id, "promised_on": sheet.order.promised_on}
        super().__init__(*args, sheet=sheet, initial=now, **options)
        workers = User.objects.filter(is_active=True, role__in=[Role.TECHNICIAN, Role.MANAGER]).order_by("name")
        self.fields["assigned_to"].queryset = workers  # type: ignore[attr-defined]


class LabourForm(OrderForm):
    """Minutes at the bench."""

    what = forms.ChoiceField(label="Work", required=False)
    other = forms.CharField(label="In other words", required=False, max_length=120)
    minutes = WholeNumberField(
        label="Minutes", required=False, min_value=1, max_value=1440, help_text="Left empty: the usual ones of the work."
    )

    def __init__(self, *args: Any, sheet: OrderSheet, **options: Any) -> None:
        super().__init__(*args, sheet=sheet, initial={"what": sheet.order.problem_kind}, **options)
        names = [(each.name, f"{each.name} ({each.usual_minutes} min)") for each in sheet.services]
        self.fields["what"].choices = [("", "Something else"), *names]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Take the words where there are some, else the service; without minutes its usual ones."""
        data = super().clean() or {}
        usual = {each.name: each.usual_minutes for each in self.sheet.services}
        if data.get("minutes") is None and "minutes" not in self.errors:
            data["minutes"] = usual.get(data.get("what") or "")
            if data["minutes"] is None or data.get("other"):
                self.add_error("minutes", "Write how many minutes it took.")
        data["what"] = (data.get("other") or data.get("what") or "").strip()
        if not data["what"]:
            self.add_error("other", "Choose the work, or write it in a few words.")
        return data


class PartForm(OrderForm):
    """Pieces of a part from stock."""

    part = forms.ModelChoiceField(label="Part", queryset=RepairPart.objects.none(), empty_label="Choose a part")
    quantity = WholeNumberField(label="Pieces", min_value=1, max_value=1000, initial=1)

    def __init__(self, *args: Any, sheet: OrderSheet, **options: Any) -> None:
        super().__init__(*args, sheet=sheet, **options)
        self.fields["part"].queryset = work_queries.list_parts_on_hand()  # type: ignore[attr-defined]
        self.fields["part"].label_from_instance = _part_words  # type: ignore[attr-defined]


def _part_words(part: Any) -> str:
    return f"{part.name} ({part.on_hand} on hand)"


class EstimateForm(OrderForm):
    """What the family is asked: what the work covers, and its price line by line, before tax."""

    covers = forms.CharField(
        label="What it puts right",
        help_text="In words the family understands.",
        widget=forms.Textarea(attrs={"rows": 2}),
        error_messages={"required": "Write what the work puts right."},
    )

    def __init__(self, *args: Any, sheet: OrderSheet, **options: Any) -> None:
        super().__init__(*args, sheet=sheet, initial={"covers": sheet.order.problem}, **options)
        for row in range(1, ESTIMATE_ROWS + 1):
            self.fields[f"what_{row}"] = forms.CharField(label=f"Line {row}", required=False, max_length=120)
            self.fields[f"price_{row}"] = MoneyField(label=f"Price of line {row}", required=False)
        self._propose()

    def _propose(self) -> None:
        """Begin with the usual minutes of the work at today's rate, where both are known."""
        service = next((each for each in self.sheet.services if each.name == self.sheet.order.problem_kind), None)
        if service is None or self.sheet.rate is None:
            return
        price = work_rules.labour_amount(service.usual_minutes, self.sheet.rate.price_per_hour.amount)
        self.initial.update(what_1=f"{service.name}, {service.usual_minutes} minutes", price_1=price)

    @property
    def rows(self) -> list[tuple[Any, Any]]:
        """The lines, each its words and its price."""
        return [(self[f"what_{row}"], self[f"price_{row}"]) for row in range(1, ESTIMATE_ROWS + 1)]

    def clean(self) -> dict[str, Any]:
        """Put the lines together; a price needs its words, and words their price."""
        data = super().clean() or {}
        lines: list[tuple[str, Decimal]] = []
        for row in range(1, ESTIMATE_ROWS + 1):
            what, price = data.get(f"what_{row}"), data.get(f"price_{row}")
            if what and price is None and f"price_{row}" not in self.errors:
                self.add_error(f"price_{row}", f"Write what line {row} costs, 0 if nothing.")
            elif price is not None and not what:
                self.add_error(f"what_{row}", f"Write what the price of line {row} is for.")
            elif what and price is not None:
                lines.append((what, price.amount))
        data["lines"] = lines
        return data


class DecisionForm(OrderForm):
    """What the family answered, how, and who said so."""

    decision = forms.ChoiceField(
        label="The family",
        choices=[("approved", "Agrees to this estimate"), ("declined", "Does not want it")],
        widget=forms.RadioSelect,
        error_messages={"required": "Choose what the family answered."},
    )
    way = forms.ChoiceField(
        label="How the answer came",
        choices=Estimate.Way.choices,
        widget=forms.RadioSelect,
        error_messages={"required": "Choose how the answer came."},
    )
    who_said_so = forms.CharField(
        label="Who gave it",
        max_length=80,
        help_text="The mother, the guardian: no student answers for a family.",
        error_messages={"required": "Write who gave the answer."},
    )


class TestForm(OrderForm):
    """The playing test, point by point."""

    note = forms.CharField(label="What was not right", required=False, max_length=300)

    def __init__(self, *args: Any, sheet: OrderSheet, **options: Any) -> None:
        super().__init__(*args, sheet=sheet, **options)
        for place, words in enumerate(sheet.points):
            self.fields[f"point_{place}"] = forms.ChoiceField(
                label=words,
                choices=[("yes", "Right"), ("no", "Not right")],
                widget=forms.RadioSelect,
                error_messages={"required": f"Try it, and say whether it is right: {words[0].lower()}{words[1:]}."},
            )

    @property
    def point_fields(self) -> list[Any]:
        """The points, in order."""
        return [self[f"point_{place}"] for place in range(len(self.sheet.points))]

    @property
    def points(self) -> list[tuple[str, bool]]:
        """The cleaned points: the words, and whether it was right."""
        return [(words, self.cleaned_data[f"point_{place}"] == "yes") for place, words in enumerate(self.sheet.points)]
