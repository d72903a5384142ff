"""The words of what families are written about payments and debits, which the manager may change.

The overdue letters stand apart (`overdue_words`). Fixed stay the authorization of autopay, which is what was signed, and
the paper of a receipt, which has figures only.
"""

import datetime
from dataclasses import replace

from django.utils import translation
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from billing.autopay.wording import CAUTION as DEBIT_CAUTION
from billing.overdue_shown import get_household
from billing.statements import make_statement
from rentals.documents.pages import AutopayPage, MovePage, ReceiptPage, ReturnedPaymentPage, StatementPage
from rentals.documents.wording.registry import MAIL, PAPER, NothingToShowError, Wording, register
from rentals.documents.wording.texts import Texts, as_slots, paragraphs
from rentals.documents.wording.written import last_written, places_of
from rentals.families.models import Household
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written_money

NAME = {"name": "who is written to"}
SIGN_OFF = "{office}\n{phone}"
RETURN_CAUTION = (
    "What may be asked for a payment that came back, and which notice must come before it, the law of the state decides. Have "
    "the office's counsel approve each version before it is put in force."
)


def of_autopay(page: AutopayPage) -> dict[str, str]:
    """Return what the places of a letter about a debit are filled with."""
    return places_of(page) | {"charges": "\n".join(f"{line.label}: {written_money(line.amount)}" for line in page.amounts)}


def notice() -> Texts:
    """Return the standard text of the notice of a debit."""
    dear = as_slots(pgettext("autopay", "Dear %(name)s,"))
    what = as_slots(pgettext("autopay", "On %(day)s we debit at most %(amount)s from your %(account)s."))
    reach = as_slots(pgettext("autopay", "You reach us at %(phone)s or %(email)s."))
    return Texts(
        heading=pgettext("autopay", "What we will debit from your account"),
        opening=f"{dear}\n\n{what}\n\n{{rights}}",
        closing=reach,
        mail="\n\n".join([dear, what, "{rights}", "{charges}", SIGN_OFF]),
    )


def came_back() -> Texts:
    """Return the standard text of the letter about a debit that the bank's file says came back."""
    dear = as_slots(pgettext("autopay", "Dear %(name)s,"))
    what = as_slots(
        pgettext("autopay", "Your bank sent back our debit of %(amount)s from your %(account)s. It says: %(reason)s.")
    )
    reach = as_slots(pgettext("autopay", "You reach us at %(phone)s or %(email)s."))
    return Texts(
        heading=pgettext("autopay", "A debit came back"),
        opening=f"{dear}\n\n{what}\n\n{{next}}",
        closing=reach,
        mail="\n\n".join([dear, what, "{next}", SIGN_OFF]),
    )


def of_returned(page: ReturnedPaymentPage) -> dict[str, str]:
    """Return what the places of a letter about a payment that came back are filled with."""
    owed = _("Your account now stands at %(owed)s owed.") % {"owed": written_money(page.balance)}
    again = _("Please pay another way, or call us so that we can find a way together.")
    return {
        "name": page.addressee.name,
        "number": page.cheque_number,
        "amount": written_money(page.amount),
        "day": written_day(page.received_on),
        "reason": f"{page.reason}.",
        "standing": f"{owed} {again}" if page.balance > 0 else _("Nothing is owed on your account."),
    }


def returned_code(*, is_check: bool) -> str:
    """Return the code of the letter that such a payment is worded by."""
    return "returned/check" if is_check else "returned/debit"


def _returned(heading: str, what: str) -> Texts:
    dear, gave = as_slots(_("Dear %(name)s,")), _("The reason it gave, in its own words:")
    counts = _("Rent that this payment had paid counts toward buying again once it is paid.")
    reach = as_slots(_("You reach us at %(phone)s or %(email)s."))
    doubt = _("If you think that this is not right, tell us: we will look at it with you before anything else.")
    return Texts(
        heading=heading,
        opening=f"{dear}\n\n{as_slots(what)}",
        closing=f"{{standing}} {reach}\n\n{counts}\n\n{doubt}",
        mail="\n\n".join([dear, f"{as_slots(what)} {gave} {{reason}}", "{standing}", doubt, SIGN_OFF]),
    )


def returned_check() -> Texts:
    """Return the standard text of the letter about a check that came back."""
    what = _("Your bank sent back your check %(number)s of %(amount)s, which we received on %(day)s.")
    return _returned(_("Your check came back"), what)


def returned_debit() -> Texts:
    """Return the standard text of the letter about a debit that came back."""
    return _returned(_("A debit from your account came back"), _("Your bank sent back our debit of %(amount)s of %(day)s."))


def of_receipt(page: ReceiptPage) -> dict[str, str]:
    """Return what the places of a receipt's mail are filled with."""
    return {
        "name": page.addressee.name,
        "number": page.number,
        "amount": written_money(page.amount),
        "day": written_day(page.received_on),
    }


def receipt() -> Texts:
    """Return the standard text of the mail with the receipt of a card payment."""
    thanks = as_slots(_("Thank you: we received %(amount)s by card on %(day)s. Your receipt is attached."))
    typed = _("Your card number was typed on the card processor’s own page. We never see or keep it.")
    return Texts(as_slots(_("Receipt %(number)s")), "", "", "\n\n".join([thanks, typed, SIGN_OFF]))


def of_quote(page: MovePage) -> dict[str, str]:
    """Return what the places of a price to buy are filled with."""
    return {"name": page.addressee.name, "number": page.number, "conditions": " ".join(page.sentences)}


def quote() -> Texts:
    """Return the standard text of a price to buy."""
    what = _("You asked what it costs to buy the instrument that you rent. Below you find the price, and what counts toward it.")
    reach = as_slots(_("You reach us at %(phone)s or %(email)s."))
    dear = as_slots(_("Dear %(name)s,"))
    return Texts(_("Price to buy"), f"{dear}\n\n{what}", f"{{conditions}}\n\n{reach}", "")


def of_statement(page: StatementPage) -> dict[str, str]:
    """Return what the places of a statement's words are filled with."""
    return {
        "name": page.addressee.name,
        "begins": written_day(page.begins_on),
        "through": written_day(page.through_on),
    }


def put_statement(page: StatementPage, texts: Texts) -> StatementPage:
    """Return the statement with its words; `opening` and `closing` are its balances."""
    return replace(page, heading=texts.heading, before=paragraphs(texts.opening), after=paragraphs(texts.closing))


def statement() -> Texts:
    """Return the standard text around a household's statement."""
    dear = as_slots(_("Dear %(name)s,"))
    what = _("This is what was billed and paid on your account in that time, and what is open.")
    wrong = as_slots(_("If something does not look right, call %(phone)s or write to %(email)s."))
    return Texts(as_slots(_("Your account from %(begins)s to %(through)s")), f"{dear}\n\n{what}", wrong, "")


def find_statement(number: str, language: str, today: datetime.date) -> StatementPage:
    """Return the statement of this month up to today, of this household or of one that rents. Raises NothingToShowError."""
    household = get_household(number) if number else Household.objects.filter(agreements__isnull=False).order_by("pk").first()
    if household is None:
        message = "Nobody rents anything yet, so there is no account to show."
        raise NothingToShowError(message)
    with translation.override(language):
        return make_statement(household, begins_on=today.replace(day=1), through_on=today, today=today)


DEBIT = NAME | {"amount": "the amount", "account": "the account, by its last four digits"}
RETURNED = NAME | {
    "amount": "the amount that came back",
    "day": "the day the payment was received",
    "standing": "how the account stands now, and what to do if something is owed",
    "reason": "the bank's reason (in the letter it follows by itself)",
}
register(
    Wording(
        code="autopay_notice",
        title="Notice of a debit",
        kind="autopay_notice",
        slots=DEBIT
        | {
            "day": "the day of the debit",
            "rights": "that only the rest is debited if a part is paid, and that autopay can be ended at any time",
            "charges": "each charge with its amount (in the mail)",
        },
        standard=notice,
        values=of_autopay,
        find=last_written("autopay_notice", places__0__label="account"),
        must=("day", "amount", "account", "rights"),
        caution=DEBIT_CAUTION,
    )
)
register(
    Wording(
        code="autopay_return",
        title="A debit came back, by the bank's file",
        kind="autopay_return",
        slots=DEBIT | {"reason": "the bank's reason, in plain words", "next": "what happens now"},
        standard=came_back,
        values=of_autopay,
        find=last_written("autopay_return", places__0__label="account"),
        must=("amount", "reason", "next"),
        caution=DEBIT_CAUTION,
    )
)
for is_check, title, standard, own in (
    (True, "A check came back", returned_check, {"number": "the check's number"}),
    (False, "A debit came back, noted by hand", returned_debit, {}),
):
    register(
        Wording(
            code=returned_code(is_check=is_check),
            title=title,
            kind="returned_payment",
            slots=RETURNED | own,
            standard=standard,
            values=of_returned,
            find=last_written("returned_payment", is_check=is_check),
            must=("amount", "standing"),
            mail_must=("reason",),
            caution=RETURN_CAUTION,
        )
    )
register(
    Wording(
        code="receipt",
        title="Mail with the receipt of a card payment",
        kind="receipt",
        slots=NAME | {"number": "the payment's number", "amount": "the amount", "day": "the day it was received"},
        standard=receipt,
        values=of_receipt,
        find=last_written("receipt"),
        mail_must=("amount",),
        parts=MAIL,
    )
)
register(
    Wording(
        code="payoff_quote",
        title="Price to buy",
        kind="payoff_quote",
        slots=NAME | {"number": "the agreement's number", "conditions": "on what conditions the price holds"},
        standard=quote,
        values=of_quote,
        find=last_written("payoff_quote"),
        must=("conditions",),
        parts=PAPER,
    )
)
register(
    Wording(
        code="statement",
        title="Statement of a household",
        kind="statement",
        slots=NAME | {"begins": "its first day", "through": "its last day"},
        standard=statement,
        values=of_statement,
        find=find_statement,
        parts=PAPER,
        put=put_statement,
    )
)
