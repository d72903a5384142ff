"""Payers that people had matched before payers were remembered: known from then on, like any other.

Only what a person matched and nobody undid, only where all of it was for one household, and only payers of whom nothing is
remembered, forgotten or refused yet: a memory that is wrong would be worse than none.
"""

from django.db import migrations

LEARN = """
INSERT INTO billing_bankpayer (payer, household_id, line_id, learned_at, learned_by_id, is_refused)
SELECT DISTINCT ON (l.payer) l.payer, p.household_id, l.id, m.made_at, m.made_by_id, false
  FROM billing_bankmatch m JOIN billing_bankline l ON l.id = m.line_id JOIN billing_payment p ON p.id = m.payment_id
 WHERE m.undone_at IS NULL AND m.how <> 'certain' AND l.amount > 0 AND l.payer <> ''
   AND NOT EXISTS (SELECT FROM billing_bankpayer b WHERE b.payer = l.payer)
   AND NOT EXISTS (SELECT FROM billing_bankmatch om JOIN billing_bankline ol ON ol.id = om.line_id
                     JOIN billing_payment op ON op.id = om.payment_id
                    WHERE ol.payer = l.payer AND om.undone_at IS NULL AND op.household_id <> p.household_id)
 ORDER BY l.payer, m.made_at DESC, m.id DESC;
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0046_undone_return_guards")]
    operations = [migrations.RunSQL(LEARN)]
