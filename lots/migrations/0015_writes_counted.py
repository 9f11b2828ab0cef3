from django.db import migrations

from lots.ledger import guards

# The columns that are sealed; none named: all of them.
TABLES = {
    "lots_lot": ("id", "code", "form", "description", "received_from_id", "registered_at"),
    "lots_document": (),
    "lots_measurement": (),
    "lots_weighing": (),
    "lots_volumereading": (),
    "lots_assay": (),
    "lots_assayresult": (),
    "lots_withdrawal": (),
    "lots_booksmonth": (),
    "lots_excess": (),
    "lots_barrecord": (),
    "lots_impurityanalysis": (),
    "lots_deliverynote": (),
    "lots_deliveryline": (),
    "lots_sheetimport": (),
    "lots_importedrow": (),
    "lots_processbatch": (),
    "lots_assayruling": (),
    "lots_contentchange": (),
    "lots_workszone": (),
    "lots_workssettings": (),
}


def count(apps, schema_editor):
    if schema_editor.connection.vendor == "sqlite":
        schema_editor.execute(
            "CREATE TABLE lots_sealedwrites "
            "(table_name text PRIMARY KEY, writes integer NOT NULL) WITHOUT ROWID"
        )
    guards.count_writes(schema_editor.connection, TABLES)


def leave_uncounted(apps, schema_editor):
    guards.leave_uncounted(schema_editor.connection, TABLES)
    if schema_editor.connection.vendor == "sqlite":
        schema_editor.execute("DROP TABLE lots_sealedwrites")


class Migration(migrations.Migration):

    dependencies = [("lots", "0014_scales_left_open")]

    safe_because = {"RunPython": "puts triggers that only count on tables that are there"}

    operations = [
        migrations.RunPython(count, leave_uncounted),
    ]
