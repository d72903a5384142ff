"""The overdue letters on the manager's page of words: what their places are, and a letter shown with a family's figures."""

import datetime
from functools import partial

from django.utils import translation

from billing import overdue, overdue_words
from rentals.documents.pages import OverduePage
from rentals.documents.wording.registry import NothingToShowError, Wording, register
from rentals.families.letters import receiver_of
from rentals.families.models import Household

TITLES = {1: "Overdue letter 1, friendly", 2: "Overdue letter 2, firm", 3: "Overdue letter 3, the last"}
SLOTS = {
    "name": "who is written to",
    "total": "all that is past due",
    "answer_by": "the day by which to pay or call",
}
CAUTION = (
    "Laws on collecting debts differ by state, and the federal Fair Debt Collection Practices Act binds those who collect for "
    "others. Have the office's counsel approve each version before it is put in force."
)
DAYS_TO_ANSWER = 10
"""For a letter that is only shown: so many days ahead stands as the day to answer by."""


def find(step: int, number: str, language: str, today: datetime.date) -> OverduePage:
    """Return the page of a household that owes, without its words; of the first that does where no number is given.

    Raises NothingToShowError.
    """
    household = _household(number, today)
    with translation.override(language):
        items = overdue.list_open_items(household.pk, today)
    if not items:
        message = f"{household.name} ({household.number}) owes nothing that is past due. Choose a family that does."
        raise NothingToShowError(message)
    return OverduePage(
        step=step,
        addressee=receiver_of(household).addressee,
        dated_on=today,
        answer_by=today + datetime.timedelta(days=DAYS_TO_ANSWER),
        items=items,
        total=overdue.total_of(items),
    )


def get_household(number: str) -> Household:
    """Return the household whose letter is to be shown. Raises NothingToShowError."""
    household = Household.objects.filter(number__iexact=number).first()
    if household is None:
        message = f"There is no household {number}. Household numbers look like H-000012."
        raise NothingToShowError(message)
    return household


def _household(number: str, today: datetime.date) -> Household:
    if number:
        return get_household(number)
    due = overdue.list_steps_due(today=today)
    if not due:
        message = "No letter is due to anybody today. Name a household that owes something."
        raise NothingToShowError(message)
    return due[0].household


for step, title in TITLES.items():
    code = overdue_words.code_of(step)
    register(
        Wording(
            code=code,
            title=title,
            kind="overdue",
            slots=SLOTS,
            standard=partial(overdue_words.standard, step),
            values=overdue_words.values,
            find=partial(find, step),
            must=("answer_by",),
            mail_must=("total",),
            caution=CAUTION,
        )
    )
