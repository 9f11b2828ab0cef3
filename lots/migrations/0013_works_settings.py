import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

from lots.ledger import guards


def guard(apps, schema_editor):
    guards.append_only(schema_editor.connection, guards.SETTINGS)


def unguard(apps, schema_editor):
    guards.changeable(schema_editor.connection, guards.SETTINGS)


class Migration(migrations.Migration):

    dependencies = [
        ('lots', '0012_password_given'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    safe_because = {"RunPython": "puts triggers on a table that this migration makes"}

    operations = [
        migrations.CreateModel(
            name='WorksSettings',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('one_person', models.BooleanField(db_default=False, default=False, help_text='The works is run by one person, who may approve what they prepared.')),
                ('reason', models.CharField(max_length=500)),
                ('recorded_at', models.DateTimeField()),
                ('recorded_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name_plural': 'works settings',
                'ordering': ['-id'],
            },
        ),
        migrations.RunPython(guard, unguard),
    ]
