"""The words of the reminder of the annual cleaning, which the manager may change."""

import datetime

from django.utils import translation
from django.utils.translation import gettext

from rentals.documents.pages import CleaningPage
from rentals.documents.wording.registry import NothingToShowError, Wording, register
from rentals.documents.wording.texts import Texts
from rentals.runtime.templatetags.office import day as written_day

CODE = "cleaning"
SLOTS = {"name": "who is written to", "instruments": "each instrument with its tag and the day it is due (in the mail)"}


def values(page: CleaningPage) -> dict[str, str]:
    """Return what the places of the reminder are filled with, in the active language."""
    lines = [
        f"- {item.instrument}, {item.asset_tag}: " + gettext("due on %(due_on)s") % {"due_on": written_day(item.due_on)}
        for item in page.items
    ]
    return {"name": page.addressee.name, "instruments": "\n".join(lines)}


def standard() -> Texts:
    """Return the standard text, in the active language."""
    dear = gettext("Dear %(name)s,") % {"name": "{name}"}
    why = gettext("Once a year a rented instrument comes to our bench to be cleaned and looked over. It is time for:")
    how = gettext("Bring it to the shop, or hand it to our van at school. If it is needed meanwhile, ask us for a loaner.")
    reach = gettext("You reach us at %(phone)s or %(email)s.") % {"phone": "{phone}", "email": "{email}"}
    return Texts(
        heading=gettext("Time for the annual cleaning"),
        opening=f"{dear}\n\n{why}",
        closing=f"{how} {reach}",
        mail="\n\n".join([dear, why, "{instruments}", how, "{office}\n{phone}"]),
    )


def find(number: str, language: str, today: datetime.date) -> CleaningPage:
    """Return the page of a reminder that is due, to this household or the first, without its words. Raises NothingToShowError."""
    from rentals.counter import cleanings

    due = cleanings.list_reminders_due(today=today)
    found = next((each for each in due if number.upper() in ("", each.agreement.household.number)), None)
    if found is None:
        message = f"No reminder is due to {number or 'anybody'} today. Name a household that has one, or leave the field empty."
        raise NothingToShowError(message)
    with translation.override(language):
        return cleanings.page_of(found, today)


register(Wording(CODE, "Reminder of the annual cleaning", "cleaning", SLOTS, standard, values, find, mail_must=("instruments",)))
