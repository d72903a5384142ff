"""Terms the shop offers, agreements as they were signed, and what happened to them since."""

from rentals.agreements.models.agreements import Agreement, AgreementGoods, AgreementUnit, Signature, SignUpDraft
from rentals.agreements.models.life import (
    AgreementHold,
    LifeEvent,
    LossReport,
    PayerShare,
    PeriodTerms,
    ReturnCheck,
    TaxExemption,
)
from rentals.agreements.models.night import GivenUpSignUp, NightSignUp, UnitPromise
from rentals.agreements.models.terms import Plan, PlanVersion, Rate, TaxArea, TaxAreaPostalCode, TaxRate

__all__ = [
    "Agreement",
    "AgreementGoods",
    "AgreementHold",
    "AgreementUnit",
    "GivenUpSignUp",
    "LifeEvent",
    "LossReport",
    "NightSignUp",
    "PayerShare",
    "PeriodTerms",
    "Plan",
    "PlanVersion",
    "Rate",
    "ReturnCheck",
    "SignUpDraft",
    "Signature",
    "TaxArea",
    "TaxAreaPostalCode",
    "TaxExemption",
    "TaxRate",
    "UnitPromise",
]
