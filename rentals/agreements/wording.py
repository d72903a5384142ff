"""The words a family signs: the text of an agreement and the consent to electronic records, each with its version and SHA-256.

What rental-purchase statutes commonly ask to be said is said here in plain words. State law decides what must be said and how;
the shop's lawyer approves the text before it is used.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from rentals.agreements.models import Agreement, PlanVersion
from rentals.agreements.quotes import Payment, Quote, QuoteLine
from rentals.agreements.rules import REINSTATEMENT_DAYS
from rentals.families.models import Guardian, Household, Student
from rentals.inventory.models import CatalogueItem, Instrument
from rentals.runtime.templatetags.office import day, money, phone
from rentals.staff.models import Office
from schools.models import Programme

CONSENT_VERSION = "2026-1"
TEXT_VERSION = "2026-3"
SHORTEST_MONTH = 28


def consent_wording() -> str:
    """Return the consent to electronic records: what 15 USC 7001(c) asks to be told beforehand (E-SIGN, consumer disclosures)."""
    return _(
        "I agree to sign this rental agreement electronically and to receive it, and the notices that belong to it, as "
        "electronic "
        "records. I may have any of them on paper instead, without charge: I only need to ask. I may take this consent back at "
        "any "
        "time by telling the shop at the counter, by telephone or by mail; what I signed before stays valid, nothing is "
        "charged, and "
        "I get paper from then on. This consent covers this agreement and its notices, nothing else. To read the records I "
        "need a "
        "device that shows PDF files and, for mail, an e-mail address; I tell the shop when my address changes. I have been "
        "shown "
        "the agreement on a screen and could read it."
    )


@dataclass(frozen=True)
class Section:
    """A heading and its paragraphs."""

    heading: str
    paragraphs: tuple[str, ...]


@dataclass(frozen=True)
class Parties:
    """Who signs, for whom, about which instrument, with which shop, and where it is received.

    A household without a number is one that is not written down yet. With `by_number` a household is named by its number alone,
    as a tablet away from the shop does, which holds no addresses. An instrument without a tag is still to be assigned.
    """

    office: Office | None
    household: Household
    guardian: Guardian
    student: Student
    programme: Programme | None
    instrument: Instrument
    received_at: str
    by_number: bool = False


def agreement_sections(quote: Quote, parties: Parties) -> tuple[Section, ...]:
    """Return the whole text of an agreement, in order: what is shown, signed, hashed and printed."""
    return (
        _who(parties),
        _what(quote, parties),
        _payments(quote),
        _ownership(quote),
        _other_fees(quote),
        _loss(quote),
        _maintenance(quote),
        _ending(quote),
        Section(_("Terms of the plan “%s”") % quote.plan_version.title, _paragraphs(quote.plan_version.terms)),
    )


def plain_text(sections: tuple[Section, ...]) -> str:
    """Return the sections as one plain text, always the same for the same words."""
    return "\n\n".join("\n".join((section.heading, *section.paragraphs)) for section in sections)


def sha256_of(sections: tuple[Section, ...]) -> str:
    """Return the SHA-256 of the plain text in UTF-8, hexadecimal."""
    return hashlib.sha256(plain_text(sections).encode()).hexdigest()


def credit_in_words(version: PlanVersion) -> str:
    """Say how rent counts toward buying the instrument."""
    words = _("%(share)s of the rent you have paid counts toward buying this instrument, and %(step)s toward a better one.") % {
        "share": percent(version.credit_share),
        "step": percent(version.step_up_share),
    }
    if version.credit_cap < 1:
        words += " " + _("Credit covers at most %s of the purchase price.") % percent(version.credit_cap)
    if version.early_purchase_discount:
        words += " " + _("If you buy early, %s of what remains is taken off.") % percent(version.early_purchase_discount)
    return words


def billing_in_words(version: PlanVersion) -> str:
    """Say what is not plain about how rent is billed: an introductory period, a fixed due day, a minimum term."""
    said = []
    if version.intro_months:
        said.append(_("The first %s are paid together.") % months(version.intro_months))
    if version.due_day:
        said.append(_("Rent falls due on day %d of every month.") % version.due_day)
    if version.minimum_term == PlanVersion.MinimumTerm.SCHOOL_YEAR:
        said.append(_("Rent is owed to the end of the school year."))
    return " ".join(said)


def credit_after_return_in_words(version: PlanVersion) -> str:
    """Say what becomes of credit when the instrument is given back."""
    if not version.credit_lives_months:
        return _("When you give the instrument back, your credit ends, unless you take this agreement up again.")
    return _("When you give the instrument back, your credit stays for %s: rent again within that time and it counts.") % months(
        version.credit_lives_months
    )


def minimum_in_words(quote: Quote) -> str:
    """Say how long rent is owed at least; nothing without a minimum term."""
    if quote.minimum_until is None:
        return ""
    last = quote.minimum_until - timedelta(days=1)
    return _("This agreement has a minimum term: rent is owed through %s, also when you give the instrument back before.") % day(
        last
    )


def when_due(payment: Payment, starts_on: date) -> str:
    """Say when a payment falls due and what for: "Nov 20, 2026, for 11 of 30 days", "each month from Dec 1, 2026"."""
    period = payment.period
    today = period.begins_on <= starts_on
    if payment.is_monthly and payment.times != 1:
        return _("today, then each month") if today else _("each month from %s") % day(period.begins_on)
    on = _("today") if today else day(period.begins_on)
    if period.is_part:
        return _("%(on)s, for %(days)d of %(of)d days") % {"on": on, "days": period.days, "of": period.natural_days}
    return _("%(on)s, for the first %(months)s") % {"on": on, "months": months(period.months)} if period.months > 1 else on


def percent(share: object) -> str:
    """Write a fraction as per cent, as American English does: 0.0825 is "8.25%"."""
    return f"{float(str(share)) * 100:.4f}".rstrip("0").rstrip(".") + "%"


def months(number: int) -> str:
    """Write a number of months."""
    return ngettext("%d month", "%d months", number) % number


def payments(number: int) -> str:
    """Write a number of payments of rent."""
    return ngettext("%d payment of rent", "%d payments of rent", number) % number


def _who(parties: Parties) -> Section:
    office, home, guardian = parties.office, parties.household, parties.guardian
    shop = _("The shop: %s") % (
        f"{office.name}, {office.street}, {office.city}, {office.state} {office.postal_code}, {phone(office.phone)}"
        if office
        else _("Rental office")
    )
    at_home = family_at_home(home, str(guardian), reached_at(guardian))
    family = family_by_number(str(guardian), home.number) if parties.by_number else at_home
    return Section(_("Who this agreement is between"), (shop, family, student_in_words(parties.student, parties.programme)))


def street_in_words(home: Household) -> str:
    """Write street and apartment in a row."""
    return f"{home.street}, {home.unit}" if home.unit else home.street


def reached_at(guardian: Guardian) -> str:
    """Write how somebody is reached: telephone, e-mail."""
    return ", ".join(part for part in (phone(guardian.phone), guardian.email) if part)


def family_at_home(home: Household, guardian: str, reached: str) -> str:
    """Name a family with its address, and with its number once it has one."""
    facts = {"guardian": guardian, "street": street_in_words(home), "city": home.city, "state": home.state}
    facts |= {"zip": home.postal_code, "reached": reached, "number": home.number}
    if not home.number:
        return _("You: %(guardian)s, %(street)s, %(city)s, %(state)s %(zip)s, reached at %(reached)s") % facts
    return _("You: %(guardian)s, %(street)s, %(city)s, %(state)s %(zip)s, household %(number)s, reached at %(reached)s") % facts


def family_by_number(guardian: str, number: str) -> str:
    """Name a family that is written down at the shop, without saying where it lives."""
    return _("You: %(guardian)s, household %(number)s, at the address written down at the shop") % {
        "guardian": guardian,
        "number": number,
    }


def student_in_words(student: object, programme: object) -> str:
    """Name the student who plays, and the programme."""
    return _("The student who plays: %s") % student + (f", {programme}" if programme else "")


def unit_in_words(model: str, tag: str, serial: str) -> str:
    """Name the instrument; without a tag it is one that the shop still assigns."""
    if not tag:
        return f"{model}. " + _("The shop assigns one of this model; its asset tag is written down when you receive it.")
    return f"{model}. " + _("Asset tag %s") % tag + (_(", serial number %s") % serial if serial else "") + "."


def model_in_words(item: CatalogueItem) -> str:
    """Name a model: "Violin, size 1/2: Example VN-12"."""
    size = _(", size %s") % item.size if item.size else ""
    return f"{item.kind.name}{size}: {item.maker} {item.model}"


def condition_in_words(grade: str) -> str:
    """Say how an instrument is: new, used in a condition, or used ("") where it is not known yet which one it will be."""
    if grade == Instrument.Grade.NEW:
        return _("It is new.")
    if not grade:
        return _("It has been used before.")
    return _("It has been used before; its condition: %s.") % Instrument.Grade(grade).label.lower()


def receipt_in_words(received_at: str, starts_on: date, *, assigned: bool) -> str:
    """Say where and when the family gets it."""
    where = Agreement.ReceivedAt(received_at).label.lower()
    if assigned:
        return _("You receive it: %s, on %s.") % (where, day(starts_on))
    return _("You receive it: %s, as soon as one is assigned. This agreement begins on %s.") % (where, day(starts_on))


def due_in_words(total: str, lines: str) -> str:
    """Say what is due at signing, and for what."""
    return _("Due when you sign: %(total)s (%(lines)s).") % {"total": total, "lines": lines or _("nothing")}


def lines_in_words(lines: Iterable[QuoteLine]) -> str:
    """Write lines of a quote in a row: "Rent $22.00; Tax on rent $1.82"."""
    return "; ".join(f"{line.description} {money(line.amount)}" for line in lines)


def _what(quote: Quote, parties: Parties) -> Section:
    instrument = parties.instrument
    assigned = bool(instrument.asset_tag)
    grade = instrument.grade if assigned or instrument.grade == Instrument.Grade.NEW else ""
    return Section(
        _("The instrument"),
        (
            unit_in_words(model_in_words(quote.item), instrument.asset_tag, instrument.serial_number),
            condition_in_words(grade),
            receipt_in_words(parties.received_at, quote.starts_on, assigned=assigned),
        ),
    )


def _payments(quote: Quote) -> Section:
    paragraphs = [due_in_words(money(quote.due_today), lines_in_words(quote.due_today_lines))]
    between = [each for each in quote.payments if not each.is_monthly and each.period.begins_on > quote.starts_on]
    paragraphs += [
        _("Then on %(when)s: %(amount)s.") % {"when": when_due(each, quote.starts_on), "amount": money(each.amount)}
        for each in between
    ]
    monthly = _("Then each month, the first time on %(day)s: %(amount)s, with tax at today's rates.") % {
        "day": day(quote.months_from),
        "amount": money(quote.each_month),
    }
    if quote.segments[-1].anchor_on.day > SHORTEST_MONTH:
        monthly += " " + _("In a month without that day it is due on the month's last.")
    if not quote.is_taxed:
        monthly += " " + _("No sales tax is charged.")
    paragraphs += [monthly, _("Cash price, tax included: %s.") % money(quote.cash_price), *_until_owned(quote)]
    return Section(_("What you pay"), tuple(paragraphs))


def _until_owned(quote: Quote) -> list[str]:
    if quote.payments_until_owned is None:
        return [
            _("Rent alone does not make the instrument yours: %s of the price before tax remains to pay at the end, or more.")
            % money(quote.price_left)
        ]
    each = ", ".join(
        _("%(times)d of %(amount)s") % {"times": payment.times, "amount": money(payment.to_own)} for payment in quote.payments
    )
    inside = (
        _("Protection is in these figures, because this plan requires it; goods and fees are not.")
        if quote.plan_version.protection_required
        else _("Protection, goods and fees are not in these figures.")
    )
    return [
        _("After %(count)s the instrument is yours, the last of them due on %(day)s: %(each)s, with tax. Each is charged whole, "
          "the last one too. Total cost to own: %(total)s.")
        % {
            "count": payments(quote.payments_until_owned),
            "day": day(quote.owned_on),
            "each": each,
            "total": money(quote.total_to_own),
        },
        *([_("Credit that you bring along from the agreement before counts too: with it the instrument is yours sooner.")]
          if quote.brings_credit else []),
        _("Cost of the rental service, which is what renting until owned costs over the cash price: %s.")
        % money(quote.cost_of_renting) + " " + inside,
    ]  # fmt: skip


def _ownership(quote: Quote) -> Section:
    version = quote.plan_version
    return Section(
        _("When it becomes yours"),
        (
            _("You do not own the instrument until you have made all the payments named above or have bought it earlier."),
            credit_in_words(version) + " " + _("Tax, protection and fees do not count."),
            credit_after_return_in_words(version),
            _("You may buy it on any day: the purchase price of %s, less your credit, less any early-purchase discount, plus "
              "tax and "
              "anything past due.") % money(quote.prices.purchase_price),
        ),
    )  # fmt: skip


def _other_fees(quote: Quote) -> Section:
    version = quote.plan_version
    fee = (
        _("If a month is not paid %(days)d days after it is due, a late fee of %(fee)s may be charged, once for that month. No "
          "interest is ever charged.")
        % {"days": version.grace_days, "fee": money(version.late_fee)}
        if version.late_fee.amount
        else _("There is no late fee, and no interest is ever charged.")
    )  # fmt: skip
    missing = _("Parts that are missing when the instrument comes back are charged at what they cost to replace.")
    minimum = minimum_in_words(quote)
    only = _("There is no other charge than those named in this agreement.")
    return Section(_("Other charges"), (fee, missing, *([minimum] if minimum else []), only))


def _loss(quote: Quote) -> Section:
    version, value = quote.plan_version, money(quote.prices.replacement_value)
    risk = _("If the instrument is lost, stolen or damaged beyond repair while you have it, you answer for it, up to %s.") % value
    if not quote.protection:
        return Section(_("Loss and damage"), (risk, _("You have not taken protection: repairs of damage are yours to pay.")))
    taken = _("You have taken protection for %(price)s a month before tax. It is not insurance, and it covers: %(covered)s") % {
        "price": money(quote.prices.monthly_protection),
        "covered": version.protection_covers or _("repairs of damage in normal playing"),
    }
    lost = (
        _("If what protection covers befalls the instrument, you pay at most %s of it, the deductible.")
        % money(version.deductible)
        if version.deductible.amount
        else _("There is no deductible: what protection covers costs you nothing more.")
    )
    theft = _("After a theft, bring the number of the police report.")
    leave = (
        _("This plan requires protection: it stays for as long as you rent.")
        if version.protection_required
        else _("Protection is optional: you may drop it from the next month on.")
    )
    return Section(_("Loss and damage"), (risk, taken, f"{lost} {theft}", leave))


def _maintenance(quote: Quote) -> Section:
    worth = quote.plan_version.cleaning_worth
    cleaning = (
        _("Once a year the shop cleans and adjusts it, work worth up to %s, at no charge.") % money(worth)
        if worth.amount
        else _("Once a year the shop cleans and adjusts it at no charge.")
    )
    return Section(
        _("Care"),
        (
            _("The shop keeps the instrument in playing order and pays for normal wear.") + " " + cleaning,
            _("You keep it clean, do not let others repair it, and bring it to the shop when something is wrong. Any warranty of "
              "the maker passes to you when you own it."),
        ),
    )  # fmt: skip


def part_month_in_words(version: PlanVersion) -> str:
    """Say what becomes of the month in which the instrument comes back."""
    if version.part_month == PlanVersion.PartMonth.DAYS:
        return _(
            "Of the month in which it comes back you owe only the days until then; what you paid for the rest is given back."
        )
    if version.intro_months:
        return _("The introductory period or month in which it comes back is owed whole, and nothing after it.")
    return _("The month in which it comes back is owed whole, and nothing after it.")


def _ending(quote: Quote) -> Section:
    end = (
        _("You may end this agreement on any day, without penalty, by bringing the instrument back in good order, fair wear "
          "aside.")
        if quote.minimum_until is None
        else _("You may bring the instrument back on any day, in good order, fair wear aside; the minimum term named above "
               "stays owed.")
    )  # fmt: skip
    return Section(
        _("Ending and taking up again"),
        (
            end + " " + part_month_in_words(quote.plan_version),
            _("If you gave the instrument back because you fell behind, you may take this agreement up again within %d days by "
              "paying "
              "what was due; you then get the same instrument or one like it and keep your credit. Where the law of your state "
              "gives "
              "you more time, its time counts.") % REINSTATEMENT_DAYS,
        ),
    )  # fmt: skip


def _paragraphs(text: str) -> tuple[str, ...]:
    return tuple(" ".join(part.split()) for part in text.split("\n\n") if part.strip())
