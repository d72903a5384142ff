"""Notes of calls, promises to pay and payment plans."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('billing', '0033_autopay_guards'),
        ('families', '0006_search_functions'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='Arrangement',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('promise', 'Promise to pay'), ('plan', 'Payment plan')], max_length=7)),
                ('amount', models.DecimalField(decimal_places=2, help_text='What the installments add up to.', max_digits=14)),
                ('owed', models.DecimalField(decimal_places=2, max_digits=14)),
                ('promised_by', models.CharField(help_text='Who of the family said so.', max_length=80)),
                ('note', models.CharField(blank=True, max_length=400)),
                ('grace_days', models.PositiveSmallIntegerField()),
                ('made_on', models.DateField()),
                ('made_at', models.DateTimeField()),
                ('ended_on', models.DateField(null=True)),
                ('ending', models.CharField(blank=True, choices=[('kept', 'Kept'), ('broken', 'Broken'), ('withdrawn', 'Withdrawn')], max_length=9)),
                ('why', models.CharField(blank=True, help_text='Of one that was withdrawn.', max_length=200)),
                ('ended_at', models.DateTimeField(null=True)),
                ('ended_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('household', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='arrangements', to='families.household')),
                ('made_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
        ),
        migrations.CreateModel(
            name='CallNote',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('outcome', models.CharField(choices=[('reached', 'Reached'), ('message', 'Left a message'), ('no_answer', 'No answer'), ('wrong_number', 'Wrong number')], max_length=12)),
                ('spoke_with', models.CharField(blank=True, max_length=80)),
                ('said', models.CharField(blank=True, max_length=1000)),
                ('next_call_on', models.DateField(null=True)),
                ('called_at', models.DateTimeField()),
                ('called_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('household', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='call_notes', to='families.household')),
            ],
        ),
        migrations.CreateModel(
            name='Instalment',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('position', models.PositiveSmallIntegerField()),
                ('due_on', models.DateField()),
                ('amount', models.DecimalField(decimal_places=2, max_digits=14)),
                ('arrangement', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='instalments', to='billing.arrangement')),
            ],
            options={
                'ordering': ['arrangement', 'position'],
            },
        ),
        migrations.AddConstraint(
            model_name='arrangement',
            constraint=models.UniqueConstraint(condition=models.Q(('ended_at', None)), fields=('household',), name='one_arrangement_a_household'),
        ),
        migrations.AddConstraint(
            model_name='arrangement',
            constraint=models.CheckConstraint(condition=models.Q(('amount__gt', 0), ('amount__lte', models.F('owed'))), name='arrangement_within_what_is_owed'),
        ),
        migrations.AddConstraint(
            model_name='arrangement',
            constraint=models.CheckConstraint(condition=models.Q(('kind', 'promise'), models.Q(('amount', models.F('owed')), ('kind', 'plan')), _connector='OR'), name='plan_is_for_all'),
        ),
        migrations.AddConstraint(
            model_name='arrangement',
            constraint=models.CheckConstraint(condition=models.Q(('grace_days__lte', 30)), name='arrangement_grace_within_a_month'),
        ),
        migrations.AddConstraint(
            model_name='arrangement',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('ended_at', None), ('ended_by', None), ('ended_on', None), ('ending', '')), models.Q(('ended_at__isnull', False), ('ended_by__isnull', False), ('ended_on__gte', models.F('made_on')), ('ending__in', ['kept', 'broken', 'withdrawn'])), _connector='OR'), name='arrangement_ends_whole'),
        ),
        migrations.AddConstraint(
            model_name='arrangement',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('why', ''), models.Q(('ending', 'withdrawn'), _negated=True)), models.Q(('ending', 'withdrawn'), models.Q(('why', ''), _negated=True)), _connector='OR'), name='withdrawn_with_a_reason'),
        ),
        migrations.AddConstraint(
            model_name='callnote',
            constraint=models.CheckConstraint(condition=models.Q(('outcome__in', ['reached', 'message', 'no_answer', 'wrong_number'])), name='call_outcome_known'),
        ),
        migrations.AddConstraint(
            model_name='callnote',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('outcome', 'reached'), _negated=True), models.Q(models.Q(('spoke_with', ''), _negated=True), models.Q(('said', ''), _negated=True)), _connector='OR'), name='call_that_reached_says_whom'),
        ),
        migrations.AddConstraint(
            model_name='instalment',
            constraint=models.UniqueConstraint(fields=('arrangement', 'position'), name='instalment_position_once'),
        ),
        migrations.AddConstraint(
            model_name='instalment',
            constraint=models.CheckConstraint(condition=models.Q(('amount__gt', 0)), name='instalment_positive'),
        ),
    ]
