"""What a plan means, in Spanish: a courtesy for families who read it rather. Never part of what is signed, which is English.

Kept apart from `wording` and its catalogue on purpose: no part of a signed text may turn Spanish by the language of a page.
"""

from rentals.agreements.models import PlanVersion
from rentals.agreements.wording import percent


def plan_in_spanish(version: PlanVersion) -> list[str]:
    """Say, sentence by sentence, what `wording.billing_in_words` and `credit_in_words` say."""
    said = []
    if version.intro_months:
        first = "El primer mes se paga" if version.intro_months == 1 else f"Los primeros {version.intro_months} meses se pagan"
        said.append(f"{first} de una vez.")
    if version.due_day:
        said.append(f"El alquiler vence el día {version.due_day} de cada mes.")
    if version.minimum_term == PlanVersion.MinimumTerm.SCHOOL_YEAR:
        said.append("El alquiler se debe hasta el final del año escolar.")
    share, step = _percent(version.credit_share), _percent(version.step_up_share)
    said.append(f"El {share} del alquiler que haya pagado cuenta para comprar este instrumento, y el {step} para uno mejor.")
    if version.credit_cap < 1:
        said.append(f"El crédito cubre como máximo el {_percent(version.credit_cap)} del precio de compra.")
    if version.early_purchase_discount:
        said.append(f"Si lo compra antes, se descuenta el {_percent(version.early_purchase_discount)} de lo que quede.")
    return said


def _percent(share: object) -> str:
    """Write a fraction as per cent, with a space before the sign (Real Academia Española, Ortografía)."""
    return percent(share).replace("%", " %")
