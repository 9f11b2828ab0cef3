from django.db import migrations

from lots import chart, guards


class Migration(migrations.Migration):
    dependencies = [("lots", "0001_initial")]

    operations = [
        migrations.RunPython(chart.lay_out, migrations.RunPython.noop),
        migrations.RunPython(guards.install, guards.remove),
    ]
