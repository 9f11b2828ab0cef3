import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

from lots.ledger import guards


def guard(apps, schema_editor):
    guards.append_only(schema_editor.connection, guards.CONFIRMED)
    guards.count_writes(schema_editor.connection, dict.fromkeys(guards.CONFIRMED, ()))


def unguard(apps, schema_editor):
    guards.leave_uncounted(schema_editor.connection, guards.CONFIRMED)
    guards.changeable(schema_editor.connection, guards.CONFIRMED)


class Migration(migrations.Migration):

    dependencies = [
        ('lots', '0017_works_details'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    safe_because = {"RunPython": "puts triggers on tables that this migration makes"}

    operations = [
        migrations.CreateModel(
            name='ConfirmedFigure',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('recorded_model', models.CharField(max_length=60)),
                ('recorded_pk', models.BigIntegerField()),
                ('about', models.CharField(help_text='What was recorded, in words.', max_length=120)),
                ('field', models.CharField(max_length=120)),
                ('figure', models.CharField(max_length=80)),
                ('low', models.CharField(blank=True, max_length=40)),
                ('high', models.CharField(blank=True, max_length=40)),
                ('why', models.CharField(max_length=500)),
                ('confirmed_at', models.DateTimeField()),
                ('confirmed_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('movement', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='confirmed_figures', to='lots.movement')),
            ],
            options={
                'ordering': ['-id'],
            },
        ),
        migrations.CreateModel(
            name='FigureExplanation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('explanation', models.CharField(max_length=500)),
                ('explained_at', models.DateTimeField()),
                ('explained_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('figure', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='explanation', to='lots.confirmedfigure')),
            ],
            options={
                'ordering': ['-id'],
            },
        ),
        migrations.AddIndex(
            model_name='confirmedfigure',
            index=models.Index(fields=['recorded_model', 'recorded_pk'], name='confirmed_figure_of'),
        ),
        migrations.RunPython(guard, unguard),
    ]
