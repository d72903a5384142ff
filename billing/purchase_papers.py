"""The papers of a purchase: the quoted price, and the bill of sale once it is paid."""

import datetime
from decimal import Decimal

from django.utils import translation
from django.utils.translation import gettext as _

from billing.models import PayoffQuote, Purchase
from rentals.agreements import paper
from rentals.agreements.models import Agreement
from rentals.documents import operations as documents
from rentals.documents.models import Document
from rentals.documents.pages import FactLine, MovePage, PriceLine
from rentals.documents.wording.operations import word_letter
from rentals.documents.words import in_language
from rentals.families.letters import receiver_of
from rentals.inventory.models import Instrument
from rentals.runtime.templatetags.office import day


def instrument_facts(agreement: Agreement, instrument: Instrument | None) -> tuple[FactLine, ...]:
    """Return what a paper says of the agreement and of one instrument."""
    facts = [FactLine(_("Agreement"), agreement.number), FactLine(_("For the student"), str(agreement.student))]
    if instrument is not None:
        facts.append(FactLine(_("Instrument"), f"{in_language(instrument.item.kind.name)}: {instrument.item}"))
        tag = " · ".join(part for part in (instrument.asset_tag, instrument.serial_number) if part)
        facts.append(FactLine(_("Asset tag and serial number"), tag))
    return tuple(facts)


def _price_lines(row: PayoffQuote | Purchase, credit: Decimal) -> tuple[PriceLine, ...]:
    lines = [PriceLine(_("Purchase price"), row.price), PriceLine(_("Rental credit"), -credit)]
    if row.discount:
        lines.append(PriceLine(_("Off for buying early"), -row.discount))
    return (*lines, PriceLine(_("Sales tax"), row.tax))


def ask_for_quote(*, quote: PayoffQuote, on: datetime.date, now: datetime.datetime) -> Document:
    """Ask for the paper that tells a family what it costs to buy, and until when that holds."""
    agreement = quote.agreement
    household = agreement.household
    unit = agreement.units.filter(role="rented").select_related("instrument__item__kind").order_by("-began_at").first()
    with translation.override(household.language):
        page = MovePage(
            heading=_("Price to buy"),
            dated_on=on,
            number=agreement.number,
            addressee=receiver_of(household).addressee,
            facts=(
                *instrument_facts(agreement, unit.instrument if unit else None),
                FactLine(_("This price holds until"), day(quote.valid_until)),
            ),
            amounts=(*_price_lines(quote, quote.credit), PriceLine(_("Past due on your account"), quote.past_due)),
            total_label=_("To pay"),
            total=quote.net + quote.tax + quote.past_due,
            sentences=(
                _("The price holds through the day named above, as long as the rent it counts as paid stays paid."),
                _("Rent that falls due until then is owed besides; what you pay of it counts toward the price."),
                _("Tax is that of the day you buy."),
            ),
            taken_by=quote.made_by.name,
        )
        title = _("Price to buy, agreement %s") % agreement.number
    page, _words = word_letter("payoff_quote", household.language, page)
    return documents.ask_for_document(
        key=f"payoff-quote/{quote.pk}",
        kind="payoff_quote",
        about=paper.about(agreement),
        title=title,
        page=page,
        language=household.language,
        now=now,
    )


def bill_of_sale_key(agreement_id: int) -> str:
    """Return the key of the bill of sale of an agreement."""
    return f"agreement/{agreement_id}/bill-of-sale"


def ask_for_bill_of_sale(*, purchase: Purchase, now: datetime.datetime) -> Document:
    """Ask for the bill of sale; the purchase is paid. Asked again, the first one stays."""
    agreement, household = purchase.agreement, purchase.agreement.household
    instrument = Instrument.objects.select_related("item__kind").get(pk=purchase.instrument_id)
    with translation.override(household.language):
        page = MovePage(
            heading=_("Bill of sale"),
            dated_on=purchase.bought_on,
            number=agreement.number,
            addressee=receiver_of(household).addressee,
            facts=instrument_facts(agreement, instrument),
            amounts=_price_lines(purchase, purchase.credit_used),
            total_label=_("Paid"),
            total=purchase.net + purchase.tax,
            sentences=(
                _("The instrument named above is yours. It is sold as it is; any warranty of its maker passes to you."),
                _("This sale rests on rent and payments received. If one of them is returned unpaid, that amount is owed again."),
            ),
            taken_by=purchase.made_by.name,
        )
        title = _("Bill of sale, agreement %s") % agreement.number
    return documents.ask_for_document(
        key=bill_of_sale_key(agreement.pk),
        kind="bill_of_sale",
        about=paper.about(agreement),
        title=title,
        page=page,
        language=household.language,
        now=now,
    )
