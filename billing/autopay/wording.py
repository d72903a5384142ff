"""The words a family authorises by. Our reading of Regulation E, 12 CFR 1005.10(b) to (d), and Nacha 2013, 2.3.2: the office's
counsel and bank approve them before the first family signs. Change a word and raise `TEXT_VERSION`.
"""

from rentals.documents.pages import Letterhead
from rentals.runtime.templatetags.office import phone as written_phone

TEXT_VERSION = "2026-1"
LANGUAGES = ("es",)
"""Into which the signed text is translated, as a courtesy; what was signed is the English."""
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


def courtesy_translation(language: str, office: Letterhead, company_name: str, account: str) -> tuple[str, ...]:
    """Return what `authorisation_text` says in a family's language, paragraph by paragraph; nothing where it reads English.

    No certified translation: counsel has it checked with the English. `account` in that language.
    """
    if language not in LANGUAGES:
        return ()
    reach = " o ".join(part for part in (written_phone(office.phone) if office.phone else "", office.email) if part)
    where = f" ({reach})" if reach else ""
    return (
        f"Autorizo a {office.name} a debitar de mi {account} lo que se deba en la cuenta de alquiler de mi familia: alquiler, "
        "impuestos, protección y otros cargos de nuestros contratos, el día de su vencimiento o después. En el estado de cuenta "
        f"de mi banco aparece como {company_name}.",
        "Por lo menos diez días antes de cada débito se me comunica la fecha y la cantidad máxima que se debitará. Si pago una "
        "parte antes, se debita solo el resto. Un débito cuya fecha no sea día hábil bancario se hace el día hábil siguiente.",
        "Si un débito es devuelto porque no hay suficiente dinero en la cuenta, puede presentarse de nuevo, a lo sumo dos veces.",
        f"Puedo terminar esta autorización en cualquier momento si se lo comunico a {office.name}{where}; desde entonces no se "
        "hace ningún débito que todavía no se haya enviado al banco. También puedo pedir a mi banco que detenga un débito, si "
        "se lo digo con tres días hábiles de anticipación.",
        "Soy titular de esta cuenta y guardo una copia de esta autorización.",
    )
