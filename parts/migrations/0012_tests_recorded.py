import datetime

from django.db import migrations, models
from django.utils import timezone


def begin_of_their_day(apps, schema_editor):
    """When older tests were recorded is not known: at the start of their day at the earliest."""
    tests = apps.get_model("parts", "BenchTest")._base_manager.using(schema_editor.connection.alias)
    for day in tests.order_by().values_list("tested_on", flat=True).distinct():
        began = timezone.make_aware(datetime.datetime.combine(day, datetime.time.min))
        tests.filter(tested_on=day).update(recorded_at=began)


class Migration(migrations.Migration):
    dependencies = [("parts", "0011_jobs")]

    operations = [
        # A moment for all, then their own: PostgreSQL alters no table with updates pending.
        migrations.AddField(
            model_name="benchtest",
            name="recorded_at",
            field=models.DateTimeField(
                auto_now_add=True,
                default=datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc),
            ),
            preserve_default=False,
        ),
        migrations.RunPython(begin_of_their_day, migrations.RunPython.noop),
    ]
