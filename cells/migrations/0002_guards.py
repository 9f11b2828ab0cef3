from django.db import migrations

from cells import guards


class Migration(migrations.Migration):
    dependencies = [("cells", "0001_initial"), ("lots", "0002_guards")]

    operations = [
        migrations.RunPython(guards.install, guards.remove),
    ]
