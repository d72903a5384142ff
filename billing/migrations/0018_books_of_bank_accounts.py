"""Each account at a bank gets its account in the ledger. Until now all of them shared 1010, and what was posted there stays there."""

import django.db.models.deletion
import pgtrigger.compiler
import pgtrigger.migrations
from django.conf import settings
from django.db import migrations, models


BANK = "UPDATE billing_account SET is_bank = true WHERE code = '1010'"

# The account with most matches keeps 1010. Others get numbers of their own; what was matched to their lines before stands in 1010.
BOOKS = """
WITH ranked AS (
    SELECT b.id, b.name, b.last_four,
           row_number() OVER (ORDER BY (SELECT count(*) FROM billing_bankmatch m JOIN billing_bankline l ON l.id = m.line_id
                                         WHERE l.account_id = b.id AND m.undone_at IS NULL) DESC, b.id) - 1 AS place
      FROM billing_bankaccount b),
made AS (
    INSERT INTO billing_account (code, name, kind, is_receivable, is_bank)
    SELECT (1010 + place)::text, left(name, 70) || ' …' || last_four, 'asset', false, true FROM ranked WHERE place > 0
    RETURNING code)
UPDATE billing_bankaccount b SET books_id = (1010 + r.place)::text, takes_deposits = r.place = 0
  FROM ranked r WHERE r.id = b.id AND (SELECT count(*) FROM made) >= 0;
SET CONSTRAINTS ALL IMMEDIATE;
SET CONSTRAINTS ALL DEFERRED;
"""


class Migration(migrations.Migration):

    dependencies = [
        ('billing', '0017_ways_to_the_bank'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        pgtrigger.migrations.RemoveTrigger(
            model_name='bankaccount',
            name='insert_insert',
        ),
        pgtrigger.migrations.RemoveTrigger(
            model_name='bankaccount',
            name='update_update',
        ),
        pgtrigger.migrations.RemoveTrigger(
            model_name='bankmatch',
            name='update_update',
        ),
        pgtrigger.migrations.RemoveTrigger(
            model_name='bankmatch',
            name='delete_delete',
        ),
        migrations.RemoveConstraint(
            model_name='bankmatch',
            name='entry_matched_once',
        ),
        migrations.AddField(
            model_name='account',
            name='is_bank',
            field=models.BooleanField(db_default=False, default=False, help_text='It stands for an account at a bank.'),
        ),
        migrations.AddField(
            model_name='bankaccount',
            name='books',
            field=models.ForeignKey(db_index=False, default='1010', on_delete=django.db.models.deletion.PROTECT, related_name='+', to='billing.account'),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name='bankaccount',
            name='takes_deposits',
            field=models.BooleanField(db_default=False, default=False, help_text='Deposits, transfers and refunds go over it: one account of the shop.'),
        ),
        migrations.AddField(
            model_name='bankaccountevent',
            name='books',
            field=models.ForeignKey(db_constraint=False, default='1010', help_text='The account of the ledger that stands for it.', on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='billing.account'),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name='bankaccountevent',
            name='takes_deposits',
            field=models.BooleanField(db_default=False, default=False, help_text='Deposits, transfers and refunds go over it: one account of the shop.'),
        ),
        migrations.AddField(
            model_name='bankmatch',
            name='books',
            field=models.ForeignKey(db_index=False, default='1010', help_text="The books of the line's account.", on_delete=django.db.models.deletion.PROTECT, related_name='+', to='billing.account'),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name='bankmatchevent',
            name='books',
            field=models.ForeignKey(db_constraint=False, default='1010', help_text="The books of the line's account.", on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='billing.account'),
            preserve_default=False,
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='bankaccount',
            trigger=pgtrigger.compiler.Trigger(name='insert_insert', sql=pgtrigger.compiler.UpsertTriggerSql(func='INSERT INTO "billing_bankaccountevent" ("books_id", "fingerprint", "id", "last_four", "name", "pgh_context_id", "pgh_created_at", "pgh_label", "pgh_obj_id", "takes_deposits") VALUES (NEW."books_id", NEW."fingerprint", NEW."id", NEW."last_four", NEW."name", _pgh_attach_context(), NOW(), \'insert\', NEW."id", NEW."takes_deposits"); RETURN NULL;', hash='b2fbbfb57602936f80eea00c267c41df837d54e9', operation='INSERT', pgid='pgtrigger_insert_insert_6ce36', table='billing_bankaccount', when='AFTER')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='bankaccount',
            trigger=pgtrigger.compiler.Trigger(name='update_update', sql=pgtrigger.compiler.UpsertTriggerSql(condition='WHEN (OLD.* IS DISTINCT FROM NEW.*)', func='INSERT INTO "billing_bankaccountevent" ("books_id", "fingerprint", "id", "last_four", "name", "pgh_context_id", "pgh_created_at", "pgh_label", "pgh_obj_id", "takes_deposits") VALUES (NEW."books_id", NEW."fingerprint", NEW."id", NEW."last_four", NEW."name", _pgh_attach_context(), NOW(), \'update\', NEW."id", NEW."takes_deposits"); RETURN NULL;', hash='e703a7dc1eab1a739f879e08cdd9e0ef41bc70e0', operation='UPDATE', pgid='pgtrigger_update_update_2783e', table='billing_bankaccount', when='AFTER')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='bankmatch',
            trigger=pgtrigger.compiler.Trigger(name='update_update', sql=pgtrigger.compiler.UpsertTriggerSql(condition='WHEN (OLD.* IS DISTINCT FROM NEW.*)', func='INSERT INTO "billing_bankmatchevent" ("amount", "books_id", "deposit_id", "entry_id", "how", "id", "is_made_for_it", "line_id", "made_at", "made_by_id", "payment_id", "pgh_context_id", "pgh_created_at", "pgh_label", "pgh_obj_id", "undo_entry_id", "undone_at", "undone_by_id") VALUES (NEW."amount", NEW."books_id", NEW."deposit_id", NEW."entry_id", NEW."how", NEW."id", NEW."is_made_for_it", NEW."line_id", NEW."made_at", NEW."made_by_id", NEW."payment_id", _pgh_attach_context(), NOW(), \'update\', NEW."id", NEW."undo_entry_id", NEW."undone_at", NEW."undone_by_id"); RETURN NULL;', hash='787bbc1619ac70e78e6c5de912b69ce1c953b9dd', operation='UPDATE', pgid='pgtrigger_update_update_6d96e', table='billing_bankmatch', when='AFTER')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='bankmatch',
            trigger=pgtrigger.compiler.Trigger(name='delete_delete', sql=pgtrigger.compiler.UpsertTriggerSql(func='INSERT INTO "billing_bankmatchevent" ("amount", "books_id", "deposit_id", "entry_id", "how", "id", "is_made_for_it", "line_id", "made_at", "made_by_id", "payment_id", "pgh_context_id", "pgh_created_at", "pgh_label", "pgh_obj_id", "undo_entry_id", "undone_at", "undone_by_id") VALUES (OLD."amount", OLD."books_id", OLD."deposit_id", OLD."entry_id", OLD."how", OLD."id", OLD."is_made_for_it", OLD."line_id", OLD."made_at", OLD."made_by_id", OLD."payment_id", _pgh_attach_context(), NOW(), \'delete\', OLD."id", OLD."undo_entry_id", OLD."undone_at", OLD."undone_by_id"); RETURN NULL;', hash='96b44e7b4d36fa2e52c9dfbf84f55f24f3987e39', operation='DELETE', pgid='pgtrigger_delete_delete_03222', table='billing_bankmatch', when='AFTER')),
        ),
        migrations.RunSQL(BANK),
        migrations.RunSQL(BOOKS),
        migrations.AlterField(
            model_name='bankaccount',
            name='books',
            field=models.OneToOneField(help_text='The account of the ledger that stands for it.', on_delete=django.db.models.deletion.PROTECT, related_name='bank_account', to='billing.account'),
        ),
        migrations.AddConstraint(
            model_name='account',
            constraint=models.CheckConstraint(condition=models.Q(('is_bank', False), ('kind', 'asset'), _connector='OR'), name='account_at_a_bank_is_an_asset'),
        ),
        migrations.AddConstraint(
            model_name='bankaccount',
            constraint=models.UniqueConstraint(condition=models.Q(('takes_deposits', True)), fields=('takes_deposits',), name='bank_account_for_deposits'),
        ),
        migrations.AddConstraint(
            model_name='bankmatch',
            constraint=models.UniqueConstraint(condition=models.Q(('undone_at', None)), fields=('entry', 'books'), name='entry_matched_once'),
        ),
    ]
