"""Letting the office debit an account, and taking that back."""

import datetime
import re
from dataclasses import dataclass, field
from uuid import UUID

from django.db import transaction
from django.utils import translation
from django.utils.translation import pgettext

from billing import ledger
from billing.autopay import letters, rules, words
from billing.autopay.crypto import about_account, ring
from billing.autopay.wording import TEXT_VERSION, authorisation_text, courtesy_translation
from billing.models import AutopayAuthorisation, AutopayNotice, AutopaySetup
from rentals.documents.queries import get_letterhead
from rentals.families.models import Guardian, Household
from rentals.runtime.locks import lock_one
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer

ACCOUNT = re.compile(r"[0-9A-Z][0-9A-Z-]{2,16}")
Channel, Ended = AutopayAuthorisation.Channel, AutopayAuthorisation.Ended


class AccountNumberError(ValueError):
    """No account number that a file could carry. The message does not repeat it."""

    def __init__(self) -> None:
        super().__init__("An account number has 3 to 17 digits. It stands after the routing number at the bottom of a check.")


class AlreadyAuthorisedError(Exception):
    """Another authorisation of the household is in force."""

    def __init__(self, authorisation: AutopayAuthorisation) -> None:
        super().__init__(
            f"Autopay from the account ending in {authorisation.last_four} is in force since "
            f"{written_day(authorisation.authorised_on)}. End it first if another account takes its place."
        )
        self.authorisation = authorisation


class NotInForceError(Exception):
    """The authorisation has ended."""

    def __init__(self, authorisation: AutopayAuthorisation) -> None:
        super().__init__(f"Autopay from the account ending in {authorisation.last_four} has ended already.")
        self.authorisation = authorisation


class SetupMissingError(Exception):
    """Nobody wrote down how the bank wants its files."""

    def __init__(self) -> None:
        super().__init__("Write down first what the bank gave the shop for its files: Books, Autopay, The bank's details.")


class AccountNotCheckedError(Exception):
    """An account that was authorised online was not checked."""

    def __init__(self) -> None:
        super().__init__(
            "Say how the account was checked: who authorises online may have typed somebody else's (Nacha, WEB debits)."
        )


class ReasonMissingError(Exception):
    """Autopay was to end for no reason."""

    def __init__(self) -> None:
        super().__init__("Write in a few words why autopay ends: it is asked for when a debit is questioned.")


@dataclass(frozen=True)
class Authorised:
    """What a guardian authorised. `account_number` never shows in a log or an error."""

    household: Household
    guardian: Guardian
    account_type: str
    routing_number: str
    account_number: str = field(repr=False)
    authorised_on: datetime.date
    account_name: str = ""
    channel: str = Channel.IN_PERSON
    account_checked: str = ""


def clean_account_number(text: str) -> str:
    """Return an account number as a file carries it, blanks dropped. Raises AccountNumberError."""
    number = "".join(text.split()).upper()
    if not ACCOUNT.fullmatch(number):
        raise AccountNumberError
    return number


def is_account_number(text: str) -> bool:
    """Tell whether a file can carry this as an account number."""
    try:
        clean_account_number(text)
    except AccountNumberError:
        return False
    return True


def last_four_of(number: str) -> str:
    """Return what is shown of an account number; never more than a half of a short one."""
    plain = number.replace("-", "")
    return plain[-min(4, max(1, len(plain) // 2)) :]


@transaction.atomic
def authorise(
    *, given: Authorised, acting_user: User, now: datetime.datetime, request_key: UUID | None = None
) -> AutopayAuthorisation:
    """Write down an authorisation, seal the account number, and send the family its copy.

    Outermost. Sent again with the same `request_key` it returns the first one. Raises AccountNumberError, RoutingNumberError,
    AlreadyAuthorisedError, AccountNotCheckedError, SetupMissingError, RequestKeyReusedError.
    """
    number = clean_account_number(given.account_number)
    routing = rules.clean_routing_number(given.routing_number)
    if given.channel == Channel.ONLINE and not given.account_checked.strip():
        raise AccountNotCheckedError
    index = ring().index(routing, number)
    if request_key is not None:
        request = {"household": given.household.pk, "guardian": given.guardian.pk, "account": index, "type": given.account_type}
        answer = claim_request(key=request_key, purpose="autopay", request=request, acting_user=acting_user)
        if answer is not None:
            return AutopayAuthorisation.objects.get(pk=answer["authorisation"])
    setup = AutopaySetup.objects.first()
    if setup is None:
        raise SetupMissingError
    household = lock_one(Household.objects.filter(pk=given.household.pk))
    in_force = AutopayAuthorisation.objects.filter(household=household, ended_at=None).first()
    if in_force is not None:
        raise AlreadyAuthorisedError(in_force)
    authorisation = _write(household, given, (routing, number, index), setup, acting_user=acting_user, now=now)
    if request_key is not None:
        keep_answer(key=request_key, answer={"authorisation": authorisation.pk})
    return authorisation


def _write(
    household: Household,
    given: Authorised,
    account: tuple[str, str, str],
    setup: AutopaySetup,
    *,
    acting_user: User,
    now: datetime.datetime,
) -> AutopayAuthorisation:
    routing, number, index = account
    key, last_four = ledger.next_id(AutopayAuthorisation), last_four_of(number)
    text = authorisation_text(get_letterhead(), setup.company_name, letters.account_words(given.account_type, last_four))
    authorisation = AutopayAuthorisation.objects.create(
        pk=key,
        household=household,
        guardian=given.guardian,
        account_name=words.plain(given.account_name or str(given.guardian), 22),
        account_type=given.account_type,
        routing_number=routing,
        last_four=last_four,
        account_sealed=ring().seal(number.encode(), about=about_account(key)),
        account_index=index,
        channel=given.channel,
        account_checked=given.account_checked.strip(),
        wording=text,
        wording_version=TEXT_VERSION,
        authorised_on=given.authorised_on,
        taken_at=now,
        taken_by=acting_user,
    )
    with translation.override(household.language):
        account_words = letters.account_words(given.account_type, last_four)
        message = letters.send(
            household=household,
            kind="autopay",
            key=f"autopay/{key}",
            heading=pgettext("autopay", "Your authorization for autopay"),
            today=given.authorised_on,
            sentences=tuple(text.split("\n\n")),
            signer=str(given.guardian),
            translation_of=courtesy_translation(household.language, get_letterhead(), setup.company_name, account_words),
            acting_user=acting_user,
            now=now,
        )
    authorisation.document = message.document
    authorisation.save(update_fields=["document"])
    return authorisation


@transaction.atomic
def end(
    *, authorisation: AutopayAuthorisation, how: str, why: str, acting_user: User, now: datetime.datetime
) -> AutopayAuthorisation:
    """End autopay: nothing that has not left goes out any more. Outermost. Raises NotInForceError, ReasonMissingError."""
    lock_one(Household.objects.filter(pk=authorisation.household_id))
    if not why.strip():
        raise ReasonMissingError
    locked: AutopayAuthorisation = lock_one(AutopayAuthorisation.objects.filter(pk=authorisation.pk))
    if not locked.is_in_force:
        raise NotInForceError(locked)
    stop(locked, how=how, why=why, acting_user=acting_user, now=now)
    return locked


def stop(locked: AutopayAuthorisation, *, how: str, why: str, acting_user: User, now: datetime.datetime) -> None:
    """End a locked authorisation, and the notice that waits, inside an operation that has locked the household."""
    locked.ended_at, locked.ended_by, locked.ended_how, locked.ended_why = now, acting_user, how, why.strip()[:200]
    locked.save(update_fields=["ended_at", "ended_by", "ended_how", "ended_why"])
    AutopayNotice.objects.filter(authorisation=locked, closed_at=None).update(closed_at=now)
