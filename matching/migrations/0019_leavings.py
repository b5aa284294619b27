from django.db import migrations


def name_the_leaving(apps, schema_editor):
    """Say of what was told as gone which leaving that was (follow_ups.py), so that it stays told."""
    db = schema_editor.connection.alias
    alerts = apps.get_model("matching", "Alert")._base_manager.using(db)
    outcomes = apps.get_model("matching", "Outcome")._base_manager.using(db)
    gone = alerts.filter(news="gone", about="", part__isnull=False)
    states = gone.order_by().values_list("part", "part__state").distinct()
    for part, state in list(states):
        fittings = outcomes.filter(part=part).exclude(result="did-not-fit").order_by("-id")
        outcome = fittings.values_list("id", flat=True).first()
        gone.filter(part=part).update(about=f"outcome {outcome}" if outcome else state)


class Migration(migrations.Migration):
    dependencies = [("matching", "0018_jobs_gaps"), ("parts", "0012_tests_recorded")]

    operations = [migrations.RunPython(name_the_leaving, migrations.RunPython.noop)]
