"""What the codes of returns and corrections mean, and what they ask of the office.

Nacha 2013 Operating Rules, appendices 4 and 5; R10 and R11 in their words since April 2020. Codes added later read as "other".
"""

from dataclasses import dataclass

UNAUTHORISED, ADMINISTRATIVE, OVERALL = "unauthorised", "administrative", "overall"
LIMITS = {UNAUTHORISED: 5, ADMINISTRATIVE: 30, OVERALL: 150}
"""Lines of the network in thousandths of all debits (2015): 0.5 %, 3.0 %, 15.0 %. The overall one counts every return."""


@dataclass(frozen=True)
class Reason:
    """Why a debit came back. `stops`: no further debit of this account under this authorisation."""

    code: str
    words: str
    group: str = OVERALL
    may_retry: bool = False
    stops: bool = True


REASONS = {
    reason.code: reason
    for reason in (
        Reason("R01", "Not enough money", may_retry=True, stops=False),
        Reason("R02", "Account closed", ADMINISTRATIVE),
        Reason("R03", "No such account", ADMINISTRATIVE),
        Reason("R04", "Account number is not one", ADMINISTRATIVE),
        Reason("R05", "Not authorized, company debit of a consumer account", UNAUTHORISED),
        Reason("R06", "Returned because our bank asked for it", stops=False),
        Reason("R07", "Authorization revoked by the customer", UNAUTHORISED),
        Reason("R08", "Payment stopped by the customer"),
        Reason("R09", "Money not collected yet", may_retry=True, stops=False),
        Reason("R10", "Customer says we are not known or not authorized", UNAUTHORISED),
        Reason("R11", "Customer says it is not as authorized", UNAUTHORISED),
        Reason("R12", "Account sold to another bank"),
        Reason("R13", "Bank does not take part"),
        Reason("R14", "Representative payee died or cannot act"),
        Reason("R15", "Account holder died"),
        Reason("R16", "Account frozen"),
        Reason("R17", "A field could not be processed"),
        Reason("R20", "Account takes no debits"),
        Reason("R22", "Identification number is wrong"),
        Reason("R23", "Credit refused", stops=False),
        Reason("R24", "Looks like a duplicate", stops=False),
        Reason("R28", "Routing number is wrong"),
        Reason("R29", "Company says it is not authorized", UNAUTHORISED),
        Reason("R51", "Notice or item behind the debit is not valid", UNAUTHORISED),
    )
}
"""By code. Those with `stops` need a person: new details, a new authorization, or great care."""

CHANGES = {
    "C01": "Account number",
    "C02": "Routing number",
    "C03": "Routing and account number",
    "C05": "Kind of account",
    "C06": "Account number and kind of account",
    "C07": "Routing number, account number and kind of account",
    "C09": "Identification number",
    "C13": "Format of an addenda record",
    "C14": "Class of an international payment",
}


def reason_of(code: str) -> Reason:
    """Return what a return code means; one we do not know stops autopay until a person has looked."""
    return REASONS.get(code) or Reason(code, "Another reason: ask the bank")
