from django.db import migrations

from lots.ledger import accounts
from lots.ledger import guards


class Migration(migrations.Migration):
    dependencies = [("lots", "0001_initial")]

    operations = [
        migrations.RunPython(accounts.lay_out, migrations.RunPython.noop),
        migrations.RunPython(guards.install, guards.remove),
    ]
