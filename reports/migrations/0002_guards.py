from django.db import migrations

from lots.ledger import guards

TABLES = (
    "reports_contractterms",
    "reports_countedmetal",
    "reports_monthreopening",
    "reports_accessrecord",
)


def install(apps, schema_editor):
    guards.append_only(schema_editor.connection, TABLES)


def remove(apps, schema_editor):
    guards.changeable(schema_editor.connection, TABLES)


class Migration(migrations.Migration):
    dependencies = [("reports", "0001_initial")]

    operations = [migrations.RunPython(install, remove)]
