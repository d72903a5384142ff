"""The words of the estimate of a repair, which the manager may change."""

from django.utils.translation import gettext

from rentals.documents.pages import EstimatePage
from rentals.documents.wording.registry import Wording, register
from rentals.documents.wording.texts import Texts, as_slots
from rentals.documents.wording.written import last_written
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written_money

CODE = "estimate"
SLOTS = {
    "name": "who is written to",
    "valid_until": "the day until which it holds",
    "limit": "that tax is added, and that no more is charged without asking again",
    "refusal": "what happens if the family does not want the repair",
    "work": "the instrument and what is done to it (in the mail)",
    "total": "the price before tax",
}
CAUTION = (
    "What an estimate must say, and how far a bill may go beyond it, the law of the state decides. Have the office's counsel "
    "approve each version before it is put in force."
)


def values(page: EstimatePage) -> dict[str, str]:
    """Return what the places of an estimate are filled with, in the active language."""
    return {
        "name": page.addressee.name,
        "valid_until": written_day(page.valid_until),
        "limit": gettext(
            "Sales tax is added where the law asks for it. You are charged no more than this before tax; if the work turns out "
            "to cost more, we ask you again first."
        ),
        "refusal": gettext(
            "If you do not want the repair, the instrument goes back to you as it is, and nothing is charged for looking at it."
        ),
        "work": f"{page.instrument}, {page.asset_tag}\n{page.covers}",
        "total": written_money(page.total),
    }


def standard() -> Texts:
    """Return the standard text, in the active language."""
    dear = as_slots(gettext("Dear %(name)s,"))
    what = gettext(
        "We have looked at the instrument below. This is what it needs and what it would cost. We begin only when you agree."
    )
    holds = as_slots(gettext("This estimate holds until %(valid_until)s. Please tell us by then whether we may begin."))
    reach = as_slots(gettext("You reach us at %(phone)s or %(email)s."))
    together = gettext("Together, before tax")
    return Texts(
        heading=gettext("Estimate of a repair"),
        opening=f"{dear}\n\n{what}",
        closing=f"{{limit}}\n\n{holds} {reach}\n\n{{refusal}}",
        mail="\n\n".join(
            [dear, what, f"{{work}}\n{together}: {{total}}", "{limit}", f"{holds} {reach}", "{refusal}", "{office}\n{phone}"]
        ),
    )


register(
    Wording(
        code=CODE,
        title="Estimate of a repair",
        kind="estimate",
        slots=SLOTS,
        standard=standard,
        values=values,
        find=last_written("estimate"),
        must=("valid_until", "limit", "refusal"),
        mail_must=("total",),
        caution=CAUTION,
    )
)
