from django.db import migrations

from lots.ledger import guards

# The columns that are sealed; none named: all of them.
TABLES = {
    "reports_monthend": (),
    "reports_monthreopening": (),
    "reports_countsheet": (),
    "reports_countline": (),
    "reports_countedmetal": (),
    "reports_countadjustment": (),
    "reports_contractterms": (),
    "reports_settlement": (),
    "reports_settlementquestion": (),
    "reports_payment": (),
    "reports_metalprice": (),
    "reports_statementsignature": (),
}


def count(apps, schema_editor):
    guards.count_writes(schema_editor.connection, TABLES)


def leave_uncounted(apps, schema_editor):
    guards.leave_uncounted(schema_editor.connection, TABLES)


class Migration(migrations.Migration):

    dependencies = [("reports", "0007_one_person"), ("lots", "0015_writes_counted")]

    safe_because = {"RunPython": "puts triggers that only count on tables that are there"}

    operations = [
        migrations.RunPython(count, leave_uncounted),
    ]
