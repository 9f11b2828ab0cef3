from django.db import migrations, models

from lots.ledger import guards


def guard(apps, schema_editor):
    guards.append_only(schema_editor.connection, guards.ZONE)


def unguard(apps, schema_editor):
    guards.changeable(schema_editor.connection, guards.ZONE)


class Migration(migrations.Migration):

    dependencies = [
        ("lots", "0010_token_password"),
    ]

    safe_because = {"RunPython": "puts triggers on a table that this migration makes"}

    # No row: which zone a database's months were begun in can't be told from them for certain. It is
    # written down, and sealed, by the first request of a process that was told one that fits them.
    operations = [
        migrations.CreateModel(
            name='WorksZone',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(help_text='As in the IANA time zone database.', max_length=64)),
                ('fixed_at', models.DateTimeField()),
            ],
        ),
        migrations.RunPython(guard, unguard),
    ]
