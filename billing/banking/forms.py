"""What people answer about the bank's lines, cleaned into typed values. Nothing here writes."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms

from billing.banking import rules
from billing.banking.matching import Part
from billing.banking.operations import AccountAnswer
from billing.banking.queries import AccountPreview
from billing.models import BankAccount, BankLine
from rentals.families.models import Household
from rentals.families.queries.search import search_households
from rentals.runtime.forms import ChoiceCards, MoneyField, OfficeForm
from rentals.runtime.money import ZERO

ROWS = 3
MOST_ROWS = 12
LEAVE_OUT, NEW = "leave-out", "new"


class FileForm(OfficeForm):
    """The bank's file. How large it may be and what may stand in it the reader says."""

    file = forms.FileField(
        label="File from the bank",
        help_text="OFX or QFX, camt.053, BAI2, or a list in CSV, at most 5 MB: in the bank’s online pages choose the account, "
        "the span of days, and one of these.",
        allow_empty_file=True,
        max_length=200,
        error_messages={"required": "Choose the file that you downloaded from the bank."},
    )


class AccountNameForm(OfficeForm):
    """What an account is called in the office."""

    name = forms.CharField(
        label="Name of the account", max_length=80, help_text="Its account in the ledger is called the same.",
        error_messages={"required": "Write a name, like Checking."},
    )  # fmt: skip


class TakeInForm(OfficeForm):
    """What to do with accounts nobody knew, and with lines that may have been told before."""

    def __init__(self, *args: Any, previews: list[AccountPreview], **options: Any) -> None:
        super().__init__(*args, **options)
        self.previews = previews
        self.doubtful = [line.reference for each in previews for line in each.doubtful]
        for place, each in enumerate(self.unknown()):
            self.fields[f"account-{place}"] = forms.ChoiceField(
                label=f"What is the account that ends in {each.found.last_four}?",
                choices=[
                    *((str(account.pk), f"It is “{account.name}”, named before") for account in each.perhaps),
                    (NEW, "A new account of the shop"),
                    (LEAVE_OUT, "Not an account of these books: leave it out"),
                ],
                widget=ChoiceCards,
                initial=NEW if not each.perhaps else None,
            )
            self.fields[f"name-{place}"] = forms.CharField(
                label="Name of the new account",
                required=False,
                max_length=80,
                help_text="As you say it in the office: Checking. Of its number only the last four digits are kept.",
            )

    def unknown(self) -> list[AccountPreview]:
        """The accounts that nobody has named yet."""
        return [each for each in self.previews if each.account is None]

    def rows(self) -> list[tuple[AccountPreview, Any, Any]]:
        """Each unknown account with its two fields."""
        return [(each, self[f"account-{n}"], self[f"name-{n}"]) for n, each in enumerate(self.unknown())]

    def clean(self) -> dict[str, Any]:
        """Ask for a name where a new account is meant."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        for n in range(len(self.unknown())):
            if cleaned.get(f"account-{n}") == NEW and not (cleaned.get(f"name-{n}") or "").strip():
                self.add_error(f"name-{n}", "Write a name for the new account, like Checking.")
        return cleaned

    def answers(self) -> dict[str, AccountAnswer]:
        """What was answered, by fingerprint."""
        told = {}
        for n, each in enumerate(self.unknown()):
            choice = self.cleaned_data[f"account-{n}"]
            if choice == LEAVE_OUT:
                told[each.key] = AccountAnswer(left_out=True)
            elif choice == NEW:
                told[each.key] = AccountAnswer(name=self.cleaned_data[f"name-{n}"])
            else:
                told[each.key] = AccountAnswer(known_id=int(choice))
        return told

    def other_lines(self) -> list[str]:
        """The lines under an id that is here, with another day or amount, that were ticked: they are others, and count."""
        sent = self.data.getlist("other") if hasattr(self.data, "getlist") else []
        changed = {line.reference for each in self.previews for line in each.changed}
        return sorted(set(sent) & changed)

    def taken(self) -> set[str]:
        """The lines in doubt that were ticked: they are others, and count."""
        sent = self.data.getlist("another") if hasattr(self.data, "getlist") else []
        return set(sent) & set(self.doubtful)

    def same_lines(self) -> list[str]:
        """The lines in doubt that were not ticked: the bank told them before."""
        return [reference for reference in self.doubtful if reference not in self.taken()]


class PartRow(OfficeForm):
    """One part of a line, put together by hand: what it is, whose, how much."""

    what = forms.ChoiceField(
        label="What is it?",
        required=False,
        choices=[("", "Nothing"), ("payment", "Payment of a family"), ("fee", "Bank fee"), ("hold", "Not known yet")],
    )
    household = forms.CharField(label="Family", required=False, max_length=80)
    amount = MoneyField(label="Amount", required=False, least=Decimal("-9999999"))

    def __init__(self, *args: Any, accounts: Sequence[BankAccount] = (), **options: Any) -> None:
        super().__init__(*args, **options)
        if accounts:
            what: Any = self.fields["what"]
            what.choices = [*what.choices, ("own", "To or from another account of ours")]
            self.fields["account"] = forms.ChoiceField(
                label="Our other account", required=False, choices=[("", "None"), *((str(x.pk), str(x)) for x in accounts)]
            )

    def clean_household(self) -> Household | None:
        """Find the one family that is meant, by number, name or telephone."""
        text = self.cleaned_data["household"].strip()
        if not text:
            return None
        found = search_households(text, limit=4)
        exact = [hit for hit in found if text.upper() in {hit.number, hit.name.upper()}]
        hits = exact if len(exact) == 1 else found
        if not hits:
            raise forms.ValidationError(f"No family is found by “{text}”. Write its number, like H-00012, or its name.")
        if len(hits) > 1:
            names = "; ".join(f"{hit.number} {hit.name} ({hit.guardians})" for hit in hits)
            raise forms.ValidationError(f"Several families are found: {names}. Write the number of the one that is meant.")
        return Household.objects.get(pk=hits[0].household_id)

    def clean(self) -> dict[str, Any]:
        """Ask for what belongs together."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        what, amount = cleaned.get("what"), cleaned.get("amount")
        if what and "amount" in cleaned and not (amount and amount.amount):
            self.add_error("amount", "Write the amount of this part.")
        if not what and amount and amount.amount:
            self.add_error("what", "Say what this part is.")
        if what == "payment" and "household" in cleaned and cleaned["household"] is None:
            self.add_error("household", "Write the family’s number, like H-00012, or its name.")
        if what == "own" and "account" in cleaned and not cleaned["account"]:
            self.add_error("account", "Choose the account that the money went to or came from.")
        return cleaned

    def part(self) -> Part | None:
        """Return the part, None when the row was left empty."""
        given = self.cleaned_data
        if not given.get("what"):
            return None
        household = given["household"].pk if given["what"] == "payment" else None
        account = int(given["account"]) if given["what"] == "own" else None
        return Part(given["what"], given["amount"].amount, household_id=household, account_id=account)


class PartRows:
    """The rows of a line that is put together by hand, and what is ticked from the books."""

    def __init__(self, data: Any, *, line: BankLine) -> None:
        self.line = line
        count = data.get("rows", "") if data is not None else ""
        count = int(count) if count.isdecimal() else ROWS
        if data is not None and "more" in data:
            count += ROWS
        self.count = min(max(count, ROWS), MOST_ROWS)
        others = list(BankAccount.objects.exclude(pk=line.account_id).order_by("name"))
        self.forms = [PartRow(data, prefix=f"part-{n}", accounts=others) for n in range(self.count)]
        self.ticked = [int(key) for key in data.getlist("entry") if key.isdecimal()] if data is not None else []

    def is_valid(self) -> bool:
        """Check every row, so that each says what is wrong."""
        answers = [form.is_valid() for form in self.forms]
        return all(answers)

    def parts(self) -> list[Part]:
        """What was put together."""
        typed = [part for part in (form.part() for form in self.forms) if part is not None]
        return [*(Part("entry", entry_id=key) for key in dict.fromkeys(self.ticked)), *typed]

    def sum_typed(self) -> Decimal:
        """What the readable amounts of the rows add up to so far."""
        total = ZERO
        for form in self.forms:
            form.is_valid()
            amount = getattr(form, "cleaned_data", {}).get("amount")
            total += amount.amount if amount and form["what"].value() else ZERO
        return total


class ReturnedForm(OfficeForm):
    """Why the bank sent a payment back."""

    reason = forms.ChoiceField(
        label="Why did the bank send it back?",
        choices=[(reason, reason) for reason in rules.REASONS],
        widget=ChoiceCards,
    )
