from django.db import migrations, models


def name_the_kind(apps, schema_editor):
    """Note the part's kind on the bench tests there are."""
    tests, parts = (apps.get_model("parts", name) for name in ("BenchTest", "Part"))
    kind = models.Subquery(parts._base_manager.filter(pk=models.OuterRef("part_id")).values("kind")[:1])
    tests._base_manager.update(kind=kind)


class Migration(migrations.Migration):
    dependencies = [("parts", "0003_candidate_keys")]
    operations = [migrations.RunPython(name_the_kind, migrations.RunPython.noop)]
