import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

from cells import guards as cells_guards
from lots.ledger import guards


def guard(apps, schema_editor):
    guards.append_only(schema_editor.connection, cells_guards.POWER)


def unguard(apps, schema_editor):
    guards.changeable(schema_editor.connection, cells_guards.POWER)


class Migration(migrations.Migration):

    dependencies = [
        ('cells', '0003_warnings_looked_at'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    safe_because = {"RunPython": "puts triggers on tables that this migration makes"}

    operations = [
        migrations.CreateModel(
            name='PowerStatement',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('since', models.DateTimeField()),
                ('until', models.DateTimeField()),
                ('recorded_at', models.DateTimeField()),
                ('note', models.CharField(blank=True, max_length=500)),
                ('recorded_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('run', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='power_statements', to='cells.cellrun')),
            ],
            options={
                'ordering': ['run_id', 'since', 'id'],
            },
        ),
        migrations.CreateModel(
            name='PowerStatementWithdrawal',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('reason', models.CharField(max_length=200)),
                ('withdrawn_at', models.DateTimeField()),
                ('statement', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='withdrawal', to='cells.powerstatement')),
                ('withdrawn_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-withdrawn_at', '-id'],
            },
        ),
        migrations.AddConstraint(
            model_name='powerstatement',
            constraint=models.CheckConstraint(condition=models.Q(('since__lt', models.F('until'))), name='power_statement_ordered'),
        ),
        migrations.RunPython(guard, unguard),
    ]
