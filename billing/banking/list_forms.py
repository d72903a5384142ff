"""What a person says about a list in CSV: whose it is, and what its columns mean."""

from collections.abc import Sequence
from typing import Any

from django import forms

from billing.banking.lists import WhoseList
from billing.banking.readers import Mapping, Sheet, guess
from billing.banking.readers.amounts import ORDERS
from billing.banking.readers.sheet import DELIMITERS
from billing.banking.readers.text import SPELLINGS
from billing.models import BankAccount, BankLayout
from rentals.runtime.forms import ChoiceCards, OfficeForm

NEW = "new"
SHAPES = {
    "one": "One column, money out with a minus or in brackets",
    "two": "Two columns, one for money out and one for money in",
    "side": "One column, and another that says which way (DR and CR)",
}
PLACES = {
    "date": ("Day", "The day it was posted, if there are several."),
    "name": ("Who or what", "The words of the bank."),
    "memo": ("More words", ""),
    "amount": ("Amount", ""),
    "side": ("Which way", "The column that says DR or CR."),
    "debit": ("Money out", ""),
    "credit": ("Money in", ""),
    "balance": ("Running balance", "Every line is checked against it."),
    "reference": ("The bank’s own number", "By it a line is known again in another file."),
    "cheque": ("Check number", ""),
}
NEEDED = {"one": ("amount",), "two": ("debit", "credit"), "side": ("amount", "side")}
HOW = ("shape", "order", "decimal", "spelling", "delimiter")
LAST = {"one": ("side", "debit", "credit"), "two": ("amount", "side"), "side": ("debit", "credit")}
"""Columns that a shape has no use for: what was chosen there before is left aside."""


class WrittenForm(OfficeForm):
    """How the file is written, where the guess was wrong."""

    spelling = forms.ChoiceField(
        label="Its letters are in", choices=list(SPELLINGS.items()), help_text="Change it where names look garbled."
    )
    delimiter = forms.ChoiceField(
        label="Between the columns stands", choices=[(sign, f"a {name}") for sign, name in DELIMITERS.items()]
    )


class ColumnsForm(OfficeForm):
    """Whose list it is, and what its columns mean."""

    spelling = forms.ChoiceField(choices=[("", ""), *SPELLINGS.items()], required=False, widget=forms.HiddenInput)
    delimiter = forms.ChoiceField(choices=[("", ""), *DELIMITERS.items()], required=False, widget=forms.HiddenInput)

    account = forms.ChoiceField(label="Of which account is this list?", widget=ChoiceCards)
    account_name = forms.CharField(
        label="Name of the new account", required=False, max_length=80, help_text="As you say it in the office: Checking."
    )
    last_four = forms.CharField(
        label="Last four digits of its number", required=False, max_length=4, help_text="So that it is known beside others."
    )
    shape = forms.ChoiceField(label="How are amounts written?", choices=list(SHAPES.items()), widget=ChoiceCards)
    order = forms.ChoiceField(label="Days are written", choices=list(ORDERS.items()))
    decimal = forms.ChoiceField(label="Before the cents stands", choices=[(".", "a point: 1,250.50"), (",", "a comma: 1.250,50")])
    is_flipped = forms.BooleanField(label="Money out is written as positive", required=False)

    def __init__(self, *args: Any, sheet: Sheet, accounts: Sequence[BankAccount], **options: Any) -> None:
        super().__init__(*args, **options)
        account: Any = self.fields["account"]
        account.choices = [*((str(each.pk), str(each)) for each in accounts), (NEW, "A new account of the shop")]
        columns = [(str(n), _told(name, sheet.sample(n))) for n, name in enumerate(sheet.names)]
        for what, (label, help_text) in PLACES.items():
            choices = columns if what in {"date", "name"} else [("", "None"), *columns]
            self.fields[what] = forms.ChoiceField(
                label=label, help_text=help_text, choices=choices, required=what in {"date", "name"}
            )

    def clean(self) -> dict[str, Any]:
        """Ask for what belongs together, and see that no column is two things."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        shape = cleaned.get("shape", "one")
        for what in NEEDED[shape]:
            if what in cleaned and not cleaned[what]:
                self.add_error(what, f"Choose the column: {PLACES[what][0].lower()}.")
        for what in LAST[shape]:
            cleaned[what] = ""
        chosen: dict[str, str] = {}
        for what in PLACES:
            place = cleaned.get(what)
            if place and place in chosen and what not in self.errors:
                self.add_error(what, f"This column is “{PLACES[chosen[place]][0].lower()}” already. Choose another.")
            elif place:
                chosen[place] = what
        if cleaned.get("account") == NEW:
            self._check_new(cleaned)
        return cleaned

    def _check_new(self, cleaned: dict[str, Any]) -> None:
        if not (cleaned.get("account_name") or "").strip():
            self.add_error("account_name", "Write a name for the new account, like Checking.")
        if "last_four" in cleaned and not (len(cleaned["last_four"]) == 4 and cleaned["last_four"].isalnum()):
            self.add_error("last_four", "Write the last four digits of the account’s number, like 0001.")

    def missing(self) -> str:
        """Say what is wrong with the columns alone, "" when they can be tried before the account is named."""
        self.is_valid()
        wrong = [errors[0] for name, errors in self.errors.items() if name in {*PLACES, *HOW}]
        return " ".join(str(error) for error in wrong)

    def mapping(self) -> Mapping:
        """What the columns mean."""
        given = self.cleaned_data
        places = {what: int(given[what]) if given.get(what) else None for what in PLACES}
        return Mapping.of_contents(
            {**places, **{key: given[key] for key in ("order", "decimal", "is_flipped", "spelling", "delimiter")}}
        )

    def whose(self) -> WhoseList:
        """Of which account the list is."""
        given = self.cleaned_data
        if given["account"] == NEW:
            return WhoseList(name=given["account_name"], last_four=given["last_four"])
        return WhoseList(account_id=int(given["account"]))


def _told(name: str, samples: list[str]) -> str:
    return f"{name}: {', '.join(samples)}"[:90] if samples else name


def first_answers(
    sheet: Sheet, layout: BankLayout | None, accounts: Sequence[BankAccount], *, as_told: bool = True
) -> dict[str, Any]:
    """What the form begins with: the columns as they were told before, or a guess by their names and values.

    `as_told`: whether the columns are divided as when they were told; else they may be others, and are guessed.
    """
    given = dict(layout.columns) if layout and as_told else guess(sheet)
    given["shape"] = "two" if given.get("debit") is not None else "side" if given.get("side") is not None else "one"
    if layout:
        given["account"] = str(layout.account_id)
    elif not accounts:
        given["account"] = NEW
    return {key: "" if value is None else value for key, value in given.items()}
