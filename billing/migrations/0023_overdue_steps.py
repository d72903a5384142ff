"""The steps of an overdue episode in a table that the manager sets; notices written before go on by the first one."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

# What was written by the rhythm that stood in the program: 10, 25 and 45 days, ten days to answer. The call at 35 days is new, so
# the third notice is the fourth step.
GO_ON = """
INSERT INTO billing_stepsversion (number, grace_days, step_count, set_at)
SELECT 1, 3, 4, now() WHERE EXISTS (SELECT FROM billing_overduenotice);
INSERT INTO billing_overduestep (version_id, position, days, kind, wording, days_to_answer)
SELECT v.id, s.position, s.days, s.kind, s.wording, 10 FROM billing_stepsversion v
 CROSS JOIN (VALUES (1, 10, 'mail', 1), (2, 25, 'mail', 2), (3, 35, 'call', NULL::int), (4, 45, 'mail', 3))
            AS s (position, days, kind, wording);
UPDATE billing_overduenotice SET step = 4 WHERE step = 3;
UPDATE billing_overduenotice n SET rule_id = s.id FROM billing_overduestep s WHERE s.position = n.step;
SET CONSTRAINTS ALL IMMEDIATE;
"""


class Migration(migrations.Migration):
    dependencies = [
        ("billing", "0022_bank_lists"),
        ("documents", "0004_outbox_queued_by"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]
    operations = [
        migrations.CreateModel(
            name='OverdueStep',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('position', models.PositiveSmallIntegerField()),
                ('days', models.PositiveSmallIntegerField(help_text='After the oldest unpaid due date.')),
                ('kind', models.CharField(choices=[('mail', 'Mail'), ('letter', 'Letter on paper'), ('call', 'Call list'), ('recall', 'Recall proposed')], max_length=6)),
                ('wording', models.PositiveSmallIntegerField(choices=[(1, 'Friendly'), (2, 'Firm'), (3, 'Last before the manager decides')], help_text='Of what is written.', null=True)),
                ('days_to_answer', models.PositiveSmallIntegerField(help_text='No other step is taken before they have passed.')),
            ],
            options={
                'ordering': ['version', 'position'],
            },
        ),
        migrations.AlterField(
            model_name='overduenotice',
            name='message',
            field=models.OneToOneField(help_text='None where the step writes nothing: a call, a recall put before the manager.', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='overdue_notice', to='documents.outboxmessage'),
        ),
        migrations.AlterField(
            model_name='overduenotice',
            name='step',
            field=models.PositiveSmallIntegerField(help_text="The step's position in its table."),
        ),
        migrations.CreateModel(
            name='StepsVersion',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField(unique=True)),
                ('grace_days', models.PositiveSmallIntegerField(help_text='So many days after a promised day money may still arrive.')),
                ('step_count', models.PositiveSmallIntegerField()),
                ('set_at', models.DateTimeField()),
                ('set_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
        ),
        migrations.AddField(
            model_name='overduestep',
            name='version',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='steps', to='billing.stepsversion'),
        ),
        migrations.AddConstraint(
            model_name='stepsversion',
            constraint=models.CheckConstraint(condition=models.Q(('grace_days__lte', 30)), name='steps_grace_within_a_month'),
        ),
        migrations.AddConstraint(
            model_name='stepsversion',
            constraint=models.CheckConstraint(condition=models.Q(('step_count__gte', 1), ('step_count__lte', 12)), name='steps_are_some'),
        ),
        migrations.AddConstraint(
            model_name='stepsversion',
            constraint=models.CheckConstraint(condition=models.Q(('number', 1), ('set_by__isnull', False), _connector='OR'), name='steps_were_set_by_somebody'),
        ),
        migrations.AddConstraint(
            model_name='overduestep',
            constraint=models.UniqueConstraint(fields=('version', 'position'), name='overdue_step_position_once'),
        ),
        migrations.AddConstraint(
            model_name='overduestep',
            constraint=models.CheckConstraint(condition=models.Q(('days__gte', 1), ('days__lte', 365)), name='overdue_step_within_a_year'),
        ),
        migrations.AddConstraint(
            model_name='overduestep',
            constraint=models.CheckConstraint(condition=models.Q(('days_to_answer__lte', 90)), name='overdue_step_answer_within_90_days'),
        ),
        migrations.AddConstraint(
            model_name='overduestep',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('kind__in', ['mail', 'letter']), ('wording__in', [1, 2, 3]), ('wording__isnull', False)), models.Q(('kind__in', ['call', 'recall']), ('wording', None)), _connector='OR'), name='overdue_step_words_what_it_writes'),
        ),
        migrations.AddField(model_name='overduenotice', name='rule', field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='notices', to='billing.overduestep')),
        migrations.RunSQL(GO_ON),
        migrations.AlterField(model_name='overduenotice', name='rule', field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='notices', to='billing.overduestep')),
    ]
