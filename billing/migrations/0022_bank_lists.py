"""Lists in CSV that wait for their columns, what was told of columns, and other ways in which files name an account."""

import django.db.models.deletion
import pgtrigger.compiler
import pgtrigger.migrations
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('billing', '0021_taking_guards'),
        ('pghistory', '0007_auto_20250421_0444'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='BankAccountKey',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('fingerprint', models.CharField(max_length=64, unique=True)),
            ],
        ),
        migrations.CreateModel(
            name='BankLayout',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('signature', models.CharField(help_text='By what lists of one layout are known again.', max_length=64)),
                ('columns', models.JSONField(help_text='Places of the columns, and how days and amounts are written.')),
                ('made_at', models.DateTimeField()),
            ],
        ),
        migrations.CreateModel(
            name='BankLayoutEvent',
            fields=[
                ('pgh_id', models.AutoField(primary_key=True, serialize=False)),
                ('pgh_created_at', models.DateTimeField(auto_now_add=True)),
                ('pgh_label', models.TextField(help_text='The event label.')),
                ('id', models.BigIntegerField()),
                ('signature', models.CharField(help_text='By what lists of one layout are known again.', max_length=64)),
                ('columns', models.JSONField(help_text='Places of the columns, and how days and amounts are written.')),
                ('made_at', models.DateTimeField()),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.AddField(
            model_name='bankfile',
            name='sealed',
            field=models.BinaryField(null=True),
        ),
        migrations.AlterField(
            model_name='bankfile',
            name='contents',
            field=models.JSONField(help_text='What the reader found, without account numbers; empty until the columns are told.'),
        ),
        migrations.AddConstraint(
            model_name='bankfile',
            constraint=models.CheckConstraint(condition=models.Q(('taken_at', None), ('sealed', None), _connector='OR'), name='bank_file_taken_keeps_no_bytes'),
        ),
        migrations.AddField(
            model_name='bankaccountkey',
            name='account',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='keys', to='billing.bankaccount'),
        ),
        migrations.AddField(
            model_name='banklayout',
            name='account',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='layouts', to='billing.bankaccount'),
        ),
        migrations.AddField(
            model_name='banklayout',
            name='made_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='banklayoutevent',
            name='account',
            field=models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='billing.bankaccount'),
        ),
        migrations.AddField(
            model_name='banklayoutevent',
            name='made_by',
            field=models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='banklayoutevent',
            name='pgh_context',
            field=models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context'),
        ),
        migrations.AddField(
            model_name='banklayoutevent',
            name='pgh_obj',
            field=models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='billing.banklayout'),
        ),
        migrations.AddConstraint(
            model_name='banklayout',
            constraint=models.UniqueConstraint(fields=('account', 'signature'), name='bank_layout_once'),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='banklayout',
            trigger=pgtrigger.compiler.Trigger(name='insert_insert', sql=pgtrigger.compiler.UpsertTriggerSql(func='INSERT INTO "billing_banklayoutevent" ("account_id", "columns", "id", "made_at", "made_by_id", "pgh_context_id", "pgh_created_at", "pgh_label", "pgh_obj_id", "signature") VALUES (NEW."account_id", NEW."columns", NEW."id", NEW."made_at", NEW."made_by_id", _pgh_attach_context(), NOW(), \'insert\', NEW."id", NEW."signature"); RETURN NULL;', hash='909d755e141f7ebefa408d95daba68692c80517a', operation='INSERT', pgid='pgtrigger_insert_insert_9e6c1', table='billing_banklayout', when='AFTER')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='banklayout',
            trigger=pgtrigger.compiler.Trigger(name='update_update', sql=pgtrigger.compiler.UpsertTriggerSql(condition='WHEN (OLD.* IS DISTINCT FROM NEW.*)', func='INSERT INTO "billing_banklayoutevent" ("account_id", "columns", "id", "made_at", "made_by_id", "pgh_context_id", "pgh_created_at", "pgh_label", "pgh_obj_id", "signature") VALUES (NEW."account_id", NEW."columns", NEW."id", NEW."made_at", NEW."made_by_id", _pgh_attach_context(), NOW(), \'update\', NEW."id", NEW."signature"); RETURN NULL;', hash='95084a0c365225e6d4056dd21bbc7d88bbb4422c', operation='UPDATE', pgid='pgtrigger_update_update_786bd', table='billing_banklayout', when='AFTER')),
        ),
    ]
