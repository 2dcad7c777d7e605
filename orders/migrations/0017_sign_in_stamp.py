"""A stamp of what one signs in by: when it changes, every session from before ends."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("orders", "0016_sums_by_index")]

    operations = [
        migrations.AddField(
            model_name="person",
            name="sign_in_stamp",
            field=models.CharField(blank=True, max_length=40),
        ),
    ]
