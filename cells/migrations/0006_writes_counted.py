from django.db import migrations

from lots.ledger import guards

# The columns that are sealed; none named: all of them.
TABLES = {
    "cells_electrolytebatch": (),
    "cells_electrolytereading": (),
    "cells_cellrun": (),
    "cells_runmovement": (),
    "cells_runreading": (),
    "cells_powerstatement": (),
    "cells_powerstatementwithdrawal": (),
    "cells_readingwithdrawal": (),
    "cells_coulombcount": (),
    "cells_harvest": (),
    "cells_harvestbalance": (),
    "cells_slimesbag": (),
    "cells_slimesestimate": (),
    "cells_recoveryoutcome": (),
}


def count(apps, schema_editor):
    guards.count_writes(schema_editor.connection, TABLES)


def leave_uncounted(apps, schema_editor):
    guards.leave_uncounted(schema_editor.connection, TABLES)


class Migration(migrations.Migration):

    dependencies = [("cells", "0005_filter_cloth"), ("lots", "0015_writes_counted")]

    safe_because = {"RunPython": "puts triggers that only count on tables that are there"}

    operations = [
        migrations.RunPython(count, leave_uncounted),
    ]
