"""The words of the three overdue letters: their standard text, and how a page gets its words. The manager may change them."""

from django.utils.translation import gettext

from rentals.documents.pages import OverduePage
from rentals.documents.wording.texts import Texts
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written_money


def code_of(step: int) -> str:
    """Return the code of the letter that a step is worded by."""
    return f"overdue/{step}"


def values(page: OverduePage) -> dict[str, str]:
    """Return what the places of a letter are filled with, in the active language."""
    return {"name": page.addressee.name, "total": written_money(page.total), "answer_by": written_day(page.answer_by)}


def standard(step: int) -> Texts:
    """Return the standard text of a step, in the active language: plain words, no threats."""
    dear = gettext("Dear %(name)s,") % {"name": "{name}"}
    doubt = gettext("If you think that this is not right, tell us: we will look at it with you before anything else.")
    answer = gettext("Please pay, or let us hear from you, by %(answer_by)s.") % {"answer_by": "{answer_by}"}
    reach = gettext("You reach us at %(phone)s or %(email)s.") % {"phone": "{phone}", "email": "{email}"}
    in_all = gettext(
        "Total past due: %(total)s. Please pay, or let us hear from you, by %(answer_by)s. The attached letter lists each charge."
    ) % {"total": "{total}", "answer_by": "{answer_by}"}
    heading, opening, mail = {
        1: (
            gettext("A payment may have slipped by"),
            gettext(
                "Our books still show the amounts below as unpaid. If your payment is on its way, thank you, and please "
                "disregard this letter."
            ),
            gettext(
                "Our books still show an amount as unpaid. If your payment is on its way, thank you, and please disregard this "
                "mail."
            ),
        ),
        2: (
            gettext("Your account is past due"),
            gettext(
                "We wrote to you before about the amounts below and have not yet received them. Please pay them, or call us so "
                "that we can find a way together."
            ),
            gettext(
                "We wrote to you before about an amount that is past due and have not yet received it. Please pay it, or call us "
                "so that we can find a way together."
            ),
        ),
        3: (
            gettext("Please call us about your account"),
            gettext(
                "The amounts below are still unpaid. This is the last letter we send before our manager looks at the account and "
                "decides with you how to go on. A call is enough to begin."
            ),
            gettext(
                "An amount is still unpaid. This is the last notice we send before our manager looks at the account and decides "
                "with you how to go on. A call is enough to begin."
            ),
        ),
    }[step]
    sign_off = "{office}\n{phone}"
    return Texts(
        heading=heading,
        opening=f"{dear}\n\n{opening}",
        closing=f"{answer} {reach}\n\n{doubt}",
        mail="\n\n".join([dear, mail, in_all, doubt, sign_off]),
    )
