from django.conf import settings
from django.db import migrations, models

# A deposit takes along what goes its way: the slip cash and checks, a payout cards, a file debits.
PAYMENTS = """
CREATE OR REPLACE FUNCTION billing_payment_only_deposited() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'deposit_id') <> (to_jsonb(OLD) - 'deposit_id')
       OR (OLD.deposit_id IS NOT NULL AND NEW.deposit_id IS DISTINCT FROM OLD.deposit_id) THEN
        RAISE EXCEPTION 'Payment % is kept as it was taken; it can only be deposited, once', OLD.number
            USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.deposit_id IS DISTINCT FROM OLD.deposit_id AND (
       NOT EXISTS (SELECT FROM billing_deposit d WHERE d.id = NEW.deposit_id AND (d.kind, NEW.method)
                       IN (('counter', 'cash'), ('counter', 'cheque'), ('cards', 'card'), ('debits', 'debit')))
       OR EXISTS (SELECT FROM billing_paymentreturn WHERE payment_id = OLD.id)) THEN
        RAISE EXCEPTION 'Payment % is not on hand, so it cannot be deposited', OLD.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_of_what_is_on_hand';
    END IF;
    RETURN NEW;
END $$;
"""

DEPOSITS = """
CREATE OR REPLACE FUNCTION billing_deposit_is_its_payments() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    deposit bigint := CASE TG_TABLE_NAME WHEN 'billing_deposit' THEN (to_jsonb(NEW) ->> 'id')::bigint
                                         ELSE (to_jsonb(NEW) ->> 'deposit_id')::bigint END;
BEGIN
    IF deposit IS NOT NULL AND (SELECT amount + fee FROM billing_deposit WHERE id = deposit)
       IS DISTINCT FROM (SELECT sum(amount) FROM billing_payment WHERE deposit_id = deposit)
          - (SELECT coalesce(sum(l.amount), 0) FROM billing_refund r JOIN billing_chargeline l ON l.charge_id = r.charge_id
              WHERE r.deposit_id = deposit) THEN
        RAISE EXCEPTION 'Deposit % is not the sum of its payments less the fee and the cash paid back', deposit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_is_its_payments';
    END IF;
    RETURN NULL;
END $$;
"""


class Migration(migrations.Migration):

    dependencies = [
        ('billing', '0016_keep_open_items'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name='deposit',
            name='fee',
            field=models.DecimalField(db_default=0, decimal_places=2, default=0, help_text='What the card processor kept.', max_digits=14),
        ),
        migrations.AddField(
            model_name='deposit',
            name='kind',
            field=models.CharField(choices=[('counter', 'Deposit'), ('cards', 'Card payout'), ('debits', 'Bank debits')], default='counter', max_length=7),
        ),
        migrations.AlterField(
            model_name='deposit',
            name='amount',
            field=models.DecimalField(decimal_places=2, help_text='What the bank gets: the payments, less cash paid back, less the fee.', max_digits=14),
        ),
        migrations.AlterField(
            model_name='payment',
            name='method',
            field=models.CharField(choices=[('cash', 'Cash'), ('cheque', 'Check'), ('card', 'Card'), ('debit', 'Bank debit'), ('transfer', 'Bank transfer')], max_length=10),
        ),
        migrations.AlterField(
            model_name='paymentevent',
            name='method',
            field=models.CharField(choices=[('cash', 'Cash'), ('cheque', 'Check'), ('card', 'Card'), ('debit', 'Bank debit'), ('transfer', 'Bank transfer')], max_length=10),
        ),
        migrations.AddConstraint(
            model_name='deposit',
            constraint=models.CheckConstraint(condition=models.Q(('fee', 0), models.Q(('fee__gt', 0), ('kind', 'cards')), _connector='OR'), name='deposit_fee_of_cards'),
        ),
        migrations.RunSQL(PAYMENTS),
        migrations.RunSQL(DEPOSITS),
    ]
