"""The words of mails and letters about an agreement, which the manager may change.

What was signed, and what tells of a change of it, stands as it is; only the mail around it has words of the office.
"""

from django.utils.translation import get_language
from django.utils.translation import gettext as _

from rentals.documents.pages import AddendumPage, AgreementPage
from rentals.documents.wording.registry import MAIL, Wording, register
from rentals.documents.wording.texts import Texts, as_slots
from rentals.documents.wording.written import last_written, places_of
from rentals.documents.words import in_language

SIGN_OFF = "{office}\n{phone}"
ABOUT = {"name": "who is written to", "number": "the agreement's number"}


def of_agreement(page: AgreementPage) -> dict[str, str]:
    """Return what the places of a new agreement's mail are filled with: of the student the first name."""
    return {"name": page.guardian.name, "number": page.number, "student": page.student.partition(" ")[0]}


def agreement() -> Texts:
    """Return the standard text of the mail with a signed agreement."""
    thanks = _("Thank you for renting with us. The agreement you signed for %(student)s is attached as a PDF; please keep it.")
    wrong = _("If something in it is not as you expected, call us or come by.")
    heading, dear = as_slots(_("Your rental agreement %(number)s")), as_slots(_("Dear %(name)s,"))
    return Texts(heading, "", "", "\n\n".join([dear, as_slots(thanks), wrong, SIGN_OFF]))


def of_addendum(page: AddendumPage) -> dict[str, str]:
    """Return what the places of a mail about a change are filled with; what was signed stays English, and it says so."""
    said = list(page.paragraphs)
    if page.in_english and get_language() != "en":
        english = _("What follows is in English, as we keep it with your agreement, and only the English text counts.")
        said.insert(0, f"{english} {_('Ask us, and we go through it with you in Spanish.')}")
    return {
        "name": page.addressee.name,
        "number": page.number,
        "title": in_language(page.title),
        "what": "\n\n".join(said),
    }


def addendum() -> Texts:
    """Return the standard text of the mail about a change of an agreement."""
    same = _("The same is attached as a PDF; please keep it with your agreement.")
    heading, dear = as_slots(_("%(title)s: agreement %(number)s")), as_slots(_("Dear %(name)s,"))
    return Texts(heading, "", "", "\n\n".join([dear, "{what}", same, SIGN_OFF]))


def of_recall(page: AddendumPage) -> dict[str, str]:
    """Return what the places of a recall are filled with."""
    own = {"number": page.number, "instrument": page.instrument, "student": page.student}
    keep = _("From today on no further rent is billed. If you pay what is past due, or call us to find a way, you may keep it.")
    return places_of(page) | own | {"keep": keep}


def recall() -> Texts:
    """Return the standard text of the letter that asks for an instrument back."""
    dear = as_slots(_("Dear %(name)s,"))
    about = as_slots(_("This is about agreement %(number)s, %(instrument)s for %(student)s."))
    owed = as_slots(_("%(past_due)s of your account is past due, and our letters about it were not answered."))
    back = as_slots(_("Please bring the instrument back to us by %(day)s."))
    same = _("The same is attached as a PDF; please keep it with your agreement.")
    return Texts(
        heading=as_slots(_("%(title)s: agreement %(number)s")).replace("{title}", _("Please bring the instrument back")),
        opening="\n\n".join([dear, about, owed, back, "{keep}"]),
        closing=as_slots(_("You reach us at %(phone)s or %(email)s.")),
        mail="\n\n".join([dear, about, owed, back, "{keep}", same, SIGN_OFF]),
    )


register(
    Wording(
        code="agreement",
        title="Mail with a signed agreement",
        kind="agreement",
        slots=ABOUT | {"student": "the student's first name"},
        standard=agreement,
        values=of_agreement,
        find=last_written("agreement", reader="guardian"),
        parts=MAIL,
    )
)
register(
    Wording(
        code="addendum",
        title="Mail about a change of an agreement",
        kind="addendum",
        slots=ABOUT | {"title": "what kind of change it is", "what": "the change, in whole sentences"},
        standard=addendum,
        values=of_addendum,
        find=last_written("addendum"),
        mail_must=("what",),
        parts=MAIL,
    )
)
register(
    Wording(
        code="recall",
        title="Recall of an instrument",
        kind="recall",
        slots=ABOUT
        | {
            "instrument": "what is rented",
            "student": "the student's name",
            "past_due": "what is past due",
            "day": "the day by which it must be back",
            "keep": "that rent stops, and how the family may keep it",
        },
        standard=recall,
        values=of_recall,
        find=last_written("recall", places__0__label="past_due"),
        must=("instrument", "past_due", "day", "keep"),
        caution=(
            "Whether and how an instrument may be asked back, and what the family must be told, the law of the state decides. "
            "Have the office's counsel approve each version before it is put in force."
        ),
    )
)
