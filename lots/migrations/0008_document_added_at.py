"""When a document was added is told by the works' clock, as every other moment is."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("lots", "0007_seals")]

    # The column stays as it is, so the table is not made anew and keeps what guards it.
    operations = [
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.AlterField("document", "added_at", models.DateTimeField())
            ]
        )
    ]
