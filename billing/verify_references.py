"""The check of what entries, postings, charges and lines name: triggers hold it, a statement at a time, and no foreign key."""

from billing.checking import check, told

GUARDS = [
    "charge_names_what_is_there",
    "account_kept",
    "account_keeps_its_code",
    "billingrun_kept",
    "billingrun_keeps_its_number",
    "household_named_in_the_books_stays",
    "household_named_in_the_books_keeps_its_key",
    "user_named_in_the_books_stays",
    "user_named_in_the_books_keeps_its_key",
]

NAMED = [
    ("billing_posting", "entry_id", "billing_journalentry", "id"),
    ("billing_posting", "account_id", "billing_account", "code"),
    ("billing_posting", "household_id", "families_household", "id"),
    ("billing_journalentry", "made_by_id", "staff_user", "id"),
    ("billing_journalentry", "reverses_id", "billing_journalentry", "id"),
    ("billing_charge", "household_id", "families_household", "id"),
    ("billing_charge", "agreement_id", "agreements_agreement", "id"),
    ("billing_charge", "entry_id", "billing_journalentry", "id"),
    ("billing_charge", "void_entry_id", "billing_journalentry", "id"),
    ("billing_charge", "run_id", "billing_billingrun", "id"),
    ("billing_charge", "late_for_id", "billing_charge", "id"),
    ("billing_chargeline", "charge_id", "billing_charge", "id"),
]


@check(2, "What the books name is there")
def references_stand() -> list[str]:
    """Invariant 2: no entry, posting, charge or line names what does not exist."""
    return told(
        " UNION ALL ".join(
            f"""SELECT format('{table} %s names {column} %s, which is not there', t.id, t.{column}) FROM {table} t
             WHERE t.{column} IS NOT NULL AND NOT EXISTS (SELECT FROM {other} o WHERE o.{key} = t.{column})"""  # noqa: S608
            for table, column, other, key in NAMED
        )
    )
