"""Why a mail or letter goes out: what a family must get, and what is a courtesy that it may do without. The one table of both.

Which notices the law asks for depends on the state and on how the office collects; a lawyer or the office's bank tells. What is
not in the table counts as required, so that nothing a family must get is ever held back by a choice about reminders.
"""

REQUIRED: dict[str, str] = {
    "agreement": "the family's copy of what it signed",
    "addendum": "a change of the agreement",
    "recall": "a notice under the agreement",
    "receipt": "a receipt that was asked for",
    "overdue": "a notice of money owed, under the agreement",
    "returned_payment": "a notice of money owed again",
    "estimate": "what the family is asked to agree to before a repair",
    "statement": "a statement that was asked for",
    "payoff_quote": "a price that was asked for",
    "bill_of_sale": "the proof of a purchase",
    "return_receipt": "the proof of a return",
    "loss_report": "the family's copy of its report",
    "autopay": "the family's copy of what it authorised",
    "autopay_notice": "the notice before a debit",
    "autopay_return": "the notice of a debit that came back",
}
COURTESY: dict[str, str] = {
    "cleaning": "a reminder of the annual cleaning",
}


def is_courtesy(kind: str) -> bool:
    """Tell whether a family may do without it."""
    return kind in COURTESY
