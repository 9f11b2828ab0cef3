import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

from lots.ledger import guards


def guard(apps, schema_editor):
    guards.append_only(schema_editor.connection, guards.PEOPLE)
    guards.count_writes(schema_editor.connection, dict.fromkeys(guards.PEOPLE, ()))


def unguard(apps, schema_editor):
    guards.changeable(schema_editor.connection, guards.PEOPLE)
    guards.leave_uncounted(schema_editor.connection, dict.fromkeys(guards.PEOPLE, ()))


class Migration(migrations.Migration):

    dependencies = [
        ('lots', '0015_writes_counted'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    safe_because = {
        "AlterField signinattempt door": "only more choices: the column stays as it is",
        "RunPython": "puts triggers on a table that this migration makes",
    }

    # No row for who is there already: their record begins with the first change of them, and says
    # how they stood before it.
    operations = [
        migrations.AlterField(
            model_name='signinattempt',
            name='door',
            field=models.CharField(choices=[('page', 'Sign-in page'), ('token', 'Token for a program'), ('link', 'Shared link'), ('once', 'One-time link'), ('own', 'Own password')], max_length=5),
        ),
        migrations.CreateModel(
            name='PersonChange',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('what', models.CharField(choices=[('found', 'As found when this record began'), ('added', 'Added'), ('role', 'Given this role'), ('details', 'Name or e-mail changed'), ('off', 'Switched off'), ('on', 'Switched on'), ('link', 'Given a one-time link'), ('link_used', 'Signed in by the one-time link'), ('password', 'Given a one-time password'), ('chosen', 'Chose a password')], max_length=10)),
                ('role', models.CharField(choices=[('operator', 'Operator'), ('assayer', 'Assayer'), ('accountant', 'Accountant'), ('manager', 'Manager'), ('customer', 'Customer')], max_length=12)),
                ('is_active', models.BooleanField()),
                ('name', models.CharField(blank=True, max_length=301)),
                ('at', models.DateTimeField()),
                ('note', models.CharField(blank=True, max_length=500)),
                ('by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('party', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='lots.party')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='changes', to='lots.person')),
            ],
            options={
                'ordering': ['-id'],
            },
        ),
        migrations.CreateModel(
            name='SignInLink',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key_sha256', models.CharField(max_length=64, unique=True)),
                ('made_at', models.DateTimeField()),
                ('expires_at', models.DateTimeField()),
                ('used_at', models.DateTimeField(blank=True, null=True)),
                ('ended_at', models.DateTimeField(blank=True, null=True)),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='links', to='lots.person')),
            ],
            options={
                'ordering': ['-id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('expires_at__gt', models.F('made_at'))), name='sign_in_link_expires_later')],
            },
        ),
        migrations.RunPython(guard, unguard),
    ]
