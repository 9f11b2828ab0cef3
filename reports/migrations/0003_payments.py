import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

from lots.ledger import guards

TABLES = ("reports_payment",)


def install(apps, schema_editor):
    guards.append_only(schema_editor.connection, TABLES)


def remove(apps, schema_editor):
    guards.changeable(schema_editor.connection, TABLES)


class Migration(migrations.Migration):

    dependencies = [
        ('lots', '0002_guards'),
        ('reports', '0002_guards'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    safe_because = {"RunPython": "puts triggers on tables that this migration makes"}

    operations = [
        migrations.CreateModel(
            name='Payment',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.CharField(max_length=20, unique=True)),
                ('direction', models.CharField(choices=[('paid', 'Paid to the customer'), ('received', 'Received from the customer')], max_length=8)),
                ('amount', models.DecimalField(decimal_places=6, max_digits=20)),
                ('currency', models.CharField(max_length=3)),
                ('reference', models.CharField(blank=True, max_length=120)),
                ('paid_at', models.DateTimeField(db_index=True)),
                ('recorded_at', models.DateTimeField()),
                ('note', models.CharField(blank=True, max_length=500)),
                ('customer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='payments', to='lots.party')),
                ('recorded_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('reverses', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='reversed_by', to='reports.payment')),
                ('settlement', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='payments', to='reports.settlement')),
            ],
            options={
                'ordering': ['-paid_at', '-id'],
                'indexes': [models.Index(fields=['customer', 'paid_at'], name='payment_customer_time')],
                'constraints': [models.CheckConstraint(condition=models.Q(('amount__gt', 0)), name='payment_positive')],
            },
        ),
        migrations.RunPython(install, remove),
    ]
