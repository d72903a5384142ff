"""The signed agreement on paper: fills the document's page from what was signed, asks for it, and queues its mail."""

from dataclasses import dataclass
from datetime import datetime

from django.utils.translation import gettext as _

from rentals.agreements import wording
from rentals.agreements.models import Agreement, Signature
from rentals.agreements.quotes import Quote, QuoteLine
from rentals.documents import operations as documents
from rentals.documents.models import Document
from rentals.documents.pages import Addressee, AgreementPage, KitLine, PriceLine
from rentals.documents.wording.operations import word_letter
from rentals.documents.wording.written import page_of
from rentals.families.letters import address_lines, receiver_for
from rentals.families.models import Guardian
from rentals.inventory.models import Product
from rentals.runtime.templatetags.office import money


def about(agreement: Agreement) -> str:
    """Return how documents and messages name this agreement."""
    return f"agreement/{agreement.pk}"


@dataclass(frozen=True)
class Signed:
    """Everything about one signing, as it was shown and signed."""

    agreement: Agreement
    quote: Quote
    parties: wording.Parties
    sections: tuple[wording.Section, ...]
    signature: Signature
    goods: tuple[tuple[Product, int], ...]


def ask_for_signed_agreement(*, signed: Signed, now: datetime) -> Document:
    """Ask for the PDF of an agreement exactly as it was signed, and queue it for the family: by mail, else as a letter."""
    agreement = signed.agreement
    document = documents.ask_for_document(
        key=f"{about(agreement)}/signed",
        kind="agreement",
        about=about(agreement),
        title=_title(agreement),
        page=_page(signed),
        language=signed.signature.language,
        now=now,
    )
    _send(agreement, signed.parties, document, now=now)
    return document


def _title(agreement: Agreement) -> str:
    """What follows another agreement is the addendum of how it came to that."""
    titles = {
        Agreement.FollowsBy.EXCHANGE: _("Addendum of exchange, agreement %s"),
        Agreement.FollowsBy.SIZE_UP: _("Addendum of size-up, agreement %s"),
        Agreement.FollowsBy.TRANSFER: _("Addendum of transfer, agreement %s"),
        Agreement.FollowsBy.REINSTATEMENT: _("Addendum of reinstatement, agreement %s"),
    }
    title = titles.get(Agreement.FollowsBy(agreement.follows_by)) if agreement.follows_by else None
    return (title or _("Rental agreement %s")) % agreement.number


def _follows(agreement: Agreement) -> str:
    """Say which agreement this one takes the place of: the rent paid on it counts on."""
    if agreement.follows is None:
        return ""
    return _("Agreement %(number)s, by %(how)s. Rent paid on it goes on counting toward buying.") % {
        "number": agreement.follows.number,
        "how": agreement.get_follows_by_display().lower(),
    }


def _page(signed: Signed) -> AgreementPage:
    agreement, quote, parties, signature = signed.agreement, signed.quote, signed.parties, signed.signature
    programme, instrument, guardian = parties.programme, parties.instrument, parties.guardian
    size = f", {quote.item.size}" if quote.item.size else ""
    return AgreementPage(
        number=agreement.number,
        signed_at=agreement.signed_at,
        starts_on=agreement.starts_on,
        follows=_follows(agreement),
        guardian=Addressee(str(guardian), address_lines(parties.household), parties.household.number),
        guardian_phone=guardian.phone,
        guardian_email=guardian.email,
        student=str(parties.student),
        school=programme.school.name if programme else "",
        programme=programme.get_kind_display() if programme else "",
        instrument=f"{quote.item.kind.name}{size}, {quote.item.maker} {quote.item.model}",
        asset_tag=instrument.asset_tag or _("to be assigned"),
        serial_number=instrument.serial_number,
        condition=instrument.get_grade_display() if instrument.asset_tag or instrument.grade == "new" else _("Used"),
        received_at=agreement.get_received_at_display(),
        plan=quote.plan_version.title,
        monthly=_price_lines(quote.monthly_lines),
        monthly_total=quote.each_month,
        due_today=_price_lines(quote.due_today_lines),
        due_today_total=quote.due_today,
        purchase_price=quote.prices.purchase_price,
        replacement_value=quote.prices.replacement_value,
        months_until_owned=quote.payments_until_owned,
        total_to_own=quote.total_to_own,
        kit=tuple(KitLine(product.name, count, product.price.amount * count) for product, count in signed.goods),
        schedule=_schedule(quote),
        owned_on=quote.owned_on,
        cash_price=quote.cash_price,
        cost_of_renting=quote.cost_of_renting,
        disclosures=disclosures(quote),
        terms=wording.plain_text(signed.sections),
        terms_sha256=signature.text_sha256,
        signer=signature.signer_name,
        signature_method=signature.method,
        signature_path=signature.strokes,
        consent=signature.consent.wording,
        consent_version=signature.consent.wording_version,
        taken_by=agreement.signed_by.name,
    )


def disclosures(quote: Quote) -> tuple[str, ...]:
    """Return what is repeated right above the signature: the sentences a family should not overlook."""
    said = [
        _("You do not own the instrument until everything named in this agreement is paid or you buy it earlier."),
        _("Cash price with tax: %s.") % money(quote.cash_price),
    ]
    if quote.payments_until_owned is not None:
        said.append(
            _("Total cost to own: %(total)s in %(count)s, which is %(more)s more than the cash price.")
            % {
                "total": money(quote.total_to_own),
                "count": wording.payments(quote.payments_until_owned),
                "more": money(quote.cost_of_renting),
            }
        )
    else:
        said.append(_("Rent alone does not make the instrument yours."))
    said.append(
        wording.minimum_in_words(quote)
        or _("You may end this agreement on any day by bringing the instrument back.")
        + " "
        + wording.part_month_in_words(quote.plan_version)
    )
    said.append(
        _("This plan requires protection, which is not insurance.")
        if quote.plan_version.protection_required
        else _("Protection is optional and is not insurance.")
    )
    return tuple(said)


def _schedule(quote: Quote) -> tuple[PriceLine, ...]:
    """Return each payment until owned, in order; the same payment many times stands on one line."""
    return tuple(
        PriceLine(f"{when[:1].upper()}{when[1:]}" + (f" ({payment.times} ×)" if (payment.times or 1) > 1 else ""), payment.amount)
        for payment in quote.payments
        for when in [wording.when_due(payment, quote.starts_on)]
    )


def _price_lines(lines: tuple[QuoteLine, ...]) -> tuple[PriceLine, ...]:
    return tuple(PriceLine(line.description, line.amount) for line in lines)


def _send(agreement: Agreement, parties: wording.Parties, document: Document, *, now: datetime) -> None:
    guardian: Guardian = parties.guardian
    receiver = receiver_for(guardian, parties.household)
    language = parties.household.language
    _shown, texts = word_letter("agreement", language, page_of(document))
    documents.queue_message(
        key=f"{about(agreement)}/signed",
        kind="agreement",
        about=about(agreement),
        household=parties.household,
        guardian=guardian,
        channel=receiver.channel,
        language=language,
        to_name=str(guardian),
        to_address=receiver.email or "\n".join(address_lines(parties.household)),
        subject=texts.heading,
        body=texts.mail + "\n",
        document=document,
        now=now,
    )
