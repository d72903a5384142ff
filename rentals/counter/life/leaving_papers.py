"""The papers of an ending: the return receipt, and the report of a loss."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.utils import translation
from django.utils.translation import gettext as _

from billing.purchase_papers import instrument_facts
from rentals.agreements import paper
from rentals.agreements.models import Agreement, LossReport
from rentals.counter.life.ends import Condition, Outcome
from rentals.documents import operations as documents
from rentals.documents.models import Document
from rentals.documents.pages import FactLine, MovePage, PriceLine
from rentals.documents.words import in_language
from rentals.families.letters import receiver_of
from rentals.inventory.models import Instrument
from rentals.runtime.templatetags.office import day, money


@dataclass(frozen=True)
class ReturnTold:
    """What a return receipt says: the instrument, how it came back, what it comes to, and the credit that waits.

    Neither instrument nor condition where the agreement ended before its instrument came.
    """

    instrument: Instrument | None
    condition: Condition | None
    outcome: Outcome
    credit: Decimal
    credit_lives_until: datetime.date | None


def ask_for_return_receipt(*, agreement: Agreement, told: ReturnTold, taken_by: str, now: datetime.datetime) -> Document:
    """Ask for the receipt of a return: condition, missing parts, what was billed, how the account stands, the credit."""
    household, condition = agreement.household, told.condition
    assert agreement.ended_on is not None
    with translation.override(household.language):
        facts = [
            *instrument_facts(agreement, told.instrument),
            *(_came_back(agreement.ended_on, condition) if condition else _never_came(agreement.ended_on)),
        ]
        sentences = [_account_words(told.outcome.balance)]
        if told.credit > 0 and told.credit_lives_until is not None:
            sentences.append(
                _("Your rental credit of %(credit)s waits until %(day)s: take the agreement up again until then to keep it.")
                % {"credit": money(told.credit), "day": day(told.credit_lives_until)}
            )
        page = _page(
            agreement,
            told.outcome,
            heading=_("Return receipt") if condition else _("End of the agreement"),
            dated_on=agreement.ended_on,
            facts=tuple(facts),
            sentences=tuple(sentences),
            taken_by=taken_by,
        )
        title = _("Return receipt, agreement %s") % agreement.number
    return documents.ask_for_document(
        key=f"{paper.about(agreement)}/return",
        kind="return_receipt",
        about=paper.about(agreement),
        title=title,
        page=page,
        language=household.language,
        now=now,
    )


def _came_back(on: datetime.date, condition: Condition) -> list[FactLine]:
    facts = [
        FactLine(_("Came back on"), day(on)),
        FactLine(_("At"), str(condition.location)),
        FactLine(_("Condition"), in_language(Instrument.Grade(condition.grade).label)),
    ]
    if condition.note:
        facts.append(FactLine(_("Noted"), condition.note))
    if condition.problem:
        facts.append(FactLine(_("Goes to the workshop for"), condition.problem))
    return [*facts, FactLine(_("Missing"), ", ".join(each.part for each in condition.missing) or _("Nothing"))]


def _never_came(on: datetime.date) -> list[FactLine]:
    return [FactLine(_("Ended on"), day(on)), FactLine(_("Instrument"), _("It had not come to the family yet"))]


def ask_for_loss_report(*, report: LossReport, why: str, outcome: Outcome, now: datetime.datetime) -> Document:
    """Ask for the report of a loss: what happened, what the family answers for and why."""
    agreement, household = report.agreement, report.agreement.household
    with translation.override(household.language):
        facts = [
            *instrument_facts(agreement, report.instrument),
            FactLine(_("What happened"), in_language(report.get_kind_display())),
            FactLine(_("On"), day(report.happened_on)),
            FactLine(_("Police report"), report.police_report_number or _("None given")),
        ]
        if report.note:
            facts.append(FactLine(_("Noted"), report.note))
        sentences = [why, _account_words(outcome.balance), _("If the instrument is found again, tell us at once.")]
        page = _page(
            agreement,
            outcome,
            heading=_("Report of a loss"),
            dated_on=report.happened_on,
            facts=tuple(facts),
            sentences=tuple(sentences),
            taken_by=report.made_by.name,
        )
        title = _("Report of a loss, agreement %s") % agreement.number
    return documents.ask_for_document(
        key=f"{paper.about(agreement)}/loss",
        kind="loss_report",
        about=paper.about(agreement),
        title=title,
        page=page,
        language=household.language,
        now=now,
    )


def _page(agreement: Agreement, outcome: Outcome, **words: Any) -> MovePage:
    return MovePage(
        number=agreement.number,
        addressee=receiver_of(agreement.household).addressee,
        amounts=tuple(PriceLine(line.label, line.amount) for line in outcome.lines),
        total_label=_("Billed now"),
        total=outcome.total,
        **words,
    )


def _account_words(balance: Decimal) -> str:
    if balance > 0:
        return _("Your account now stands at %s owed.") % money(balance)
    if balance < 0:
        return _("You have %s on account: it pays what falls due next, or is paid back to you.") % money(-balance)
    return _("Nothing is owed on your account.")
