"""What families are sent about autopay: the copy of what they authorised, what will be debited, what came back.

Words stand in English here and in Spanish in `billing/locale`, under the context "autopay"; who writes them sets the language.
"""

import datetime
from decimal import Decimal

from django.template.loader import render_to_string
from django.utils import translation
from django.utils.translation import pgettext

from rentals.documents.models import OutboxMessage
from rentals.documents.pages import AutopayPage, FactLine, PriceLine
from rentals.documents.queries import get_letterhead
from rentals.documents.wording.written import as_places
from rentals.families.letters import Letter, receiver_of, worded_letter, write_to_household
from rentals.families.models import Household
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User

SAVINGS = "savings"


def account_words(account_type: str, last_four: str) -> str:
    """Return an account as families know it: checking account ending in 4321."""
    is_savings = account_type == SAVINGS
    kind = pgettext("autopay", "savings account") if is_savings else pgettext("autopay", "checking account")
    return pgettext("autopay", "%(kind)s ending in %(last_four)s") % {"kind": kind, "last_four": last_four}


def due_words(kind: str, due_on: datetime.date, agreement_number: str = "") -> str:
    """Return what is due, in the language of the moment: Rent due Mar 1, 2026, A-000017. `kind`: a charge's, in words."""
    words = pgettext("autopay", "%(kind)s due %(day)s") % {"kind": pgettext("autopay", kind), "day": written_day(due_on)}
    return f"{words}, {agreement_number}" if agreement_number else words


def send(
    *,
    household: Household,
    kind: str,
    key: str,
    heading: str,
    today: datetime.date,
    acting_user: User,
    now: datetime.datetime,
    facts: tuple[tuple[str, str], ...] = (),
    amounts: tuple[PriceLine, ...] = (),
    sentences: tuple[str, ...] = (),
    signer: str = "",
    translation_of: tuple[str, ...] = (),
    code: str = "",
    places: dict[str, str] | None = None,
) -> OutboxMessage:
    """Write to the family, by mail or on paper, once per `key`. Part of the caller's transaction.

    All words are in the household's language already, but where the English was signed: `translation_of` says what it means.
    `code`: by which of the manager's words it is said, filled with `places`, instead of `sentences`.
    """
    receiver = receiver_of(household)
    page = AutopayPage(
        heading=heading,
        dated_on=today,
        addressee=receiver.addressee,
        facts=tuple(FactLine(*fact) for fact in facts),
        amounts=amounts,
        total=sum((each.amount for each in amounts), Decimal(0)),
        sentences=sentences,
        signer=signer,
        translation=translation_of,
        places=as_places(places or {}),
    )
    about = f"household/{household.pk}"
    if code:
        letter = worded_letter(code=code, household=household, key=key, kind=kind, about=about, title=heading, page=page)
        return write_to_household(household=household, receiver=receiver, letter=letter, acting_user=acting_user, now=now)
    with translation.override(household.language):
        body = render_to_string("documents/autopay.txt", {"page": page, "office": get_letterhead()})
    letter = Letter(key=key, kind=kind, about=about, title=heading, page=page, subject=heading, body=body)
    return write_to_household(household=household, receiver=receiver, letter=letter, acting_user=acting_user, now=now)


def notice_places(amount: Decimal, on: datetime.date, account: str) -> dict[str, str]:
    """Return what a notice of a debit says, by place of its words (`billing.letter_words`)."""
    return {
        "account": account,
        "day": written_day(on),
        "amount": written(amount),
        "rights": pgettext(
            "autopay", "If you pay a part before then, we debit only the rest. You can end autopay at any time by telling us."
        ),
    }
