from django.conf import settings
from django.db import migrations, models

from lots.ledger import guards

# SQLite makes a table anew to add a column, and its triggers are gone with the old one.
MADE_ANEW = ("reports_monthreopening",)


def guard(apps, schema_editor):
    guards.append_only(schema_editor.connection, MADE_ANEW)


class Migration(migrations.Migration):

    dependencies = [
        ('lots', '0013_works_settings'),
        ('reports', '0006_deliveries_read'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    _few = "months, settlements and adjustments are few, and every row says already what it asks"
    safe_because = {
        "AddConstraint countadjustment count_adjustment_decision": _few,
        "AddConstraint monthend month_end_approval": _few,
        "AddConstraint settlement settlement_approval": _few,
        "RunPython": "puts back the triggers that the table had",
    }

    operations = [
        migrations.RemoveConstraint(
            model_name='countadjustment',
            name='count_adjustment_two_people',
        ),
        migrations.RemoveConstraint(
            model_name='monthend',
            name='month_end_two_people',
        ),
        migrations.RemoveConstraint(
            model_name='settlement',
            name='settlement_two_people',
        ),
        migrations.AddField(
            model_name='countadjustment',
            name='by_one_person',
            field=models.BooleanField(db_default=False, default=False, help_text='The same person did both: the works was run by one person then.'),
        ),
        migrations.AddField(
            model_name='monthend',
            name='by_one_person',
            field=models.BooleanField(db_default=False, default=False, help_text='The same person did both: the works was run by one person then.'),
        ),
        migrations.AddField(
            model_name='monthreopening',
            name='by_one_person',
            field=models.BooleanField(db_default=False, default=False, help_text='The same person did both: the works was run by one person then.'),
        ),
        migrations.AddField(
            model_name='settlement',
            name='by_one_person',
            field=models.BooleanField(db_default=False, default=False, help_text='The same person did both: the works was run by one person then.'),
        ),
        migrations.AddConstraint(
            model_name='countadjustment',
            constraint=models.CheckConstraint(condition=models.Q(('decided_by__isnull', True), models.Q(('by_one_person', True), ('decided_by', models.F('proposed_by'))), models.Q(('by_one_person', False), models.Q(('decided_by', models.F('proposed_by')), _negated=True)), _connector='OR'), name='count_adjustment_decision'),
        ),
        migrations.AddConstraint(
            model_name='monthend',
            constraint=models.CheckConstraint(condition=models.Q(('approved_by__isnull', True), models.Q(('approved_by', models.F('prepared_by')), ('by_one_person', True)), models.Q(('by_one_person', False), models.Q(('approved_by', models.F('prepared_by')), _negated=True)), _connector='OR'), name='month_end_approval'),
        ),
        migrations.AddConstraint(
            model_name='settlement',
            constraint=models.CheckConstraint(condition=models.Q(('approved_by__isnull', True), models.Q(('approved_by', models.F('prepared_by')), ('by_one_person', True)), models.Q(('by_one_person', False), models.Q(('approved_by', models.F('prepared_by')), _negated=True)), _connector='OR'), name='settlement_approval'),
        ),
        migrations.RunPython(guard, guard),
    ]
