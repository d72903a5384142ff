"""Cash and checks lie in no deposit of a day before they were received."""

from django.db import migrations

LATER = """
CREATE FUNCTION billing_deposit_after_receipt() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM billing_deposit d WHERE d.id = NEW.deposit_id AND d.kind = 'counter'
                  AND d.deposited_on < NEW.received_on) THEN
        RAISE EXCEPTION 'Payment % was received after the day of the deposit', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_after_receipt';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER payment_deposited_after_receipt BEFORE INSERT OR UPDATE OF deposit_id ON billing_payment
    FOR EACH ROW WHEN (NEW.deposit_id IS NOT NULL) EXECUTE FUNCTION billing_deposit_after_receipt();
"""
BACK = "DROP TRIGGER payment_deposited_after_receipt ON billing_payment; DROP FUNCTION billing_deposit_after_receipt();"


class Migration(migrations.Migration):
    dependencies = [("billing", "0037_card_guards")]
    operations = [migrations.RunSQL(LATER, BACK)]
