"""The words a family authorises by. Our reading of Regulation E, 12 CFR 1005.10(b) to (d), and Nacha 2013, 2.3.2: the office's
counsel and bank approve them before the first family signs. Change a word and raise `TEXT_VERSION`.
"""

from rentals.documents.pages import Letterhead
from rentals.runtime.templatetags.office import phone as written_phone

TEXT_VERSION = "2026-1"
CAUTION = (
    "The Nacha Rules, the shop’s bank and counsel decide what may be debited and how: have them approve these words, and keep "
    "the signed copy for two years after autopay ends."
)


def authorisation_text(office: Letterhead, company_name: str, account: str) -> str:
    """Return what is authorised, paragraphs parted by blank lines. `account`: "checking account ending in 4321"."""
    reach = " or ".join(part for part in (written_phone(office.phone) if office.phone else "", office.email) if part)
    where = f" at {reach}" if reach else ""
    return "\n\n".join(
        (
            f"I authorize {office.name} to debit my {account} for what is due on my family’s rental account: rent, taxes, "
            "protection and other charges of our agreements, on or after the day they are due. On my bank statement it reads "
            f"{company_name}.",
            "At least ten days before each debit I am told its day and the most that will be debited. If I pay a part before, "
            "only the rest is debited. A debit whose day is no banking day is made on the next one.",
            "If a debit comes back because there is not enough money, it may be presented again, at most twice.",
            f"I can end this at any time by telling {office.name}{where}; it then makes no debit that it has not yet sent to its "
            "bank. I may also have my bank stop a debit, by telling it three business days ahead.",
            "I am an owner of this account, and I keep a copy of this authorization.",
        )
    )
