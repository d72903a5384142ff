"""What families are sent about autopay: the copy of what they authorised, what will be debited, what came back."""

import datetime
from decimal import Decimal

from django.template.loader import render_to_string
from django.utils import translation
from django.utils.translation import gettext

from rentals.documents.models import OutboxMessage
from rentals.documents.pages import AutopayPage, FactLine, PriceLine
from rentals.documents.queries import get_letterhead
from rentals.families.letters import Letter, receiver_of, write_to_household
from rentals.families.models import Household
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User

SAVINGS = "savings"


def account_words(account_type: str, last_four: str) -> str:
    """Return an account as families know it: checking account ending in 4321."""
    kind = gettext("savings account") if account_type == SAVINGS else gettext("checking account")
    return gettext("%(kind)s ending in %(last_four)s") % {"kind": kind, "last_four": last_four}


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
) -> OutboxMessage:
    """Write to the family, by mail or on paper, once per `key`. Part of the caller's transaction."""
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
    )
    with translation.override(household.language):
        body = render_to_string("documents/autopay.txt", {"page": page, "office": get_letterhead()})
    letter = Letter(key=key, kind=kind, about=f"household/{household.pk}", title=heading, page=page, subject=heading, body=body)
    return write_to_household(household=household, receiver=receiver, letter=letter, acting_user=acting_user, now=now)


def notice_sentences(amount: Decimal, on: datetime.date, account: str) -> tuple[str, ...]:
    """What a notice of a debit says."""
    return (
        gettext("On %(day)s we debit at most %(amount)s from your %(account)s.")
        % {"day": written_day(on), "amount": written(amount), "account": account},
        gettext("If you pay a part before then, we debit only the rest. You can end autopay at any time by telling us."),
    )
