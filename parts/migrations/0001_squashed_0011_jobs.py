import django.db.models.deletion
import django.db.models.expressions
import django.db.models.functions.comparison
import django.db.models.functions.text
import django.db.models.lookups
import uuid
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('parts', '0001_initial'), ('parts', '0002_initial'), ('parts', '0003_candidate_keys'), ('parts', '0004_name_test_kinds'), ('parts', '0005_covering_keys'), ('parts', '0006_sisters_and_parting'), ('parts', '0007_bench_readings'), ('parts', '0008_strip_steps'), ('parts', '0009_short_codes_and_photos'), ('parts', '0010_found_bad'), ('parts', '0011_jobs')]

    initial = True

    dependencies = [
        ('donors', '0001_squashed_0009_jobs'),
        ('workshop', '0001_squashed_0006_jobs'),
    ]

    operations = [
        migrations.CreateModel(
            name='PartKind',
            fields=[
                ('slug', models.SlugField(max_length=40, primary_key=True, serialize=False)),
                ('name', models.CharField(max_length=60)),
                ('component_class', models.CharField(max_length=12)),
                ('fit_class', models.CharField(choices=[('exact-only', 'by number and index only'), ('spec-match', 'by mount, ratings and connector'), ('measured-match', 'by measured size and values'), ('cosmetic', 'by family and colour')], max_length=16)),
                ('reuse', models.CharField(choices=[('good', 'may be reused'), ('caution', 'may be reused with care'), ('never', 'never reused')], max_length=8)),
                ('reuse_advice', models.TextField(blank=True)),
                ('matters', models.JSONField(default=list, help_text='model-number fields that matter for fit')),
                ('attributes', models.JSONField(default=list)),
                ('shelf_months', models.FloatField(null=True)),
                ('min_test', models.TextField(blank=True)),
                ('source', models.TextField()),
            ],
            options={
                'ordering': ['name'],
            },
        ),
        migrations.CreateModel(
            name='StepRecord',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('step', models.SlugField(max_length=40)),
                ('came', models.CharField(choices=[('done', 'done'), ('not-needed', 'not needed on this machine'), ('not-here', 'not on this machine')], default='done', max_length=10)),
                ('done_on', models.DateField()),
                ('done_at', models.DateTimeField()),
                ('timed_min', models.FloatField(blank=True, help_text='by the timer', null=True)),
                ('said_min', models.FloatField(blank=True, help_text='said by a person; goes before', null=True)),
                ('needs_two', models.BooleanField(default=False)),
                ('licence', models.CharField(blank=True, choices=[('refrigerant', 'refrigerant handling'), ('gas', 'gas'), ('electrical-safety', 'electrical-safety testing'), ('asbestos', 'asbestos awareness'), ('lifting', 'forklift or stair climber')], max_length=20)),
                ('certificate_until', models.DateField(blank=True, null=True)),
                ('note', models.TextField(blank=True)),
                ('appliance', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.appliance')),
                ('certificate', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='workshop.certificate')),
                ('done_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='workshop.member')),
                ('donor', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='step_records', to='donors.donor')),
                ('second_person', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='workshop.member')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['done_at', 'id'],
                'indexes': [models.Index(condition=models.Q(('came', 'done')), fields=['workshop', 'appliance', '-id'], name='step_times_newest')],
                'constraints': [models.UniqueConstraint(fields=('donor', 'step'), name='step_record_once'), models.CheckConstraint(condition=models.Q(('came__in', ['done', 'not-needed', 'not-here'])), name='step_record_is_known'), models.CheckConstraint(condition=models.Q(models.Q(('came', 'not-needed'), _negated=True), ('licence', ''), _connector='OR'), name='licensed_step_is_not_left_out'), models.CheckConstraint(condition=models.Q(models.Q(('came', 'done'), _negated=True), ('needs_two', False), models.Q(('second_person__isnull', False), models.Q(('second_person', models.F('done_by')), _negated=True)), _connector='OR'), name='heavy_step_names_a_second_person'), models.CheckConstraint(condition=models.Q(models.Q(('came', 'done'), _negated=True), ('licence', ''), models.Q(('certificate__isnull', False), ('certificate_until__gte', models.F('done_on')), ('certificate_until__isnull', False)), _connector='OR'), name='licensed_step_names_a_valid_certificate'), models.CheckConstraint(condition=models.Q(models.Q(('timed_min__isnull', True), ('timed_min__gte', 0), _connector='OR'), models.Q(('said_min__isnull', True), models.Q(('said_min__gt', 0), ('said_min__lte', 1440)), _connector='OR')), name='step_minutes_can_be')],
            },
        ),
        migrations.CreateModel(
            name='StepSpan',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('step', models.SlugField(max_length=40)),
                ('started_at', models.DateTimeField()),
                ('stopped_at', models.DateTimeField(blank=True, null=True)),
                ('donor', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.donor')),
                ('member', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='workshop.member')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['started_at', 'id'],
                'constraints': [models.UniqueConstraint(condition=models.Q(('stopped_at__isnull', True)), fields=('donor', 'member'), name='span_one_runs_per_member'), models.CheckConstraint(condition=models.Q(('stopped_at__isnull', True), ('stopped_at__gte', models.F('started_at')), _connector='OR'), name='span_runs_forward')],
            },
        ),
        migrations.CreateModel(
            name='StripStep',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('slug', models.SlugField(max_length=40)),
                ('name', models.CharField(max_length=60)),
                ('minutes', models.FloatField(help_text='guess: a skilled person, a clean machine')),
                ('needs', models.JSONField(default=list)),
                ('takes', models.JSONField(default=list)),
                ('tools', models.JSONField(default=list)),
                ('tool_class', models.CharField(choices=[('none', 'no tool'), ('basic', 'basic tools'), ('commercially-available', 'commercially available tools'), ('proprietary', "a maker's own tools")], default='none', max_length=24)),
                ('cautions', models.JSONField(default=list)),
                ('two_persons', models.BooleanField(default=False)),
                ('licence', models.CharField(blank=True, choices=[('refrigerant', 'refrigerant handling'), ('gas', 'gas'), ('electrical-safety', 'electrical-safety testing'), ('asbestos', 'asbestos awareness'), ('lifting', 'forklift or stair climber')], max_length=20)),
                ('usual', models.BooleanField(default=True, help_text='most builds have it')),
                ('safety', models.BooleanField(default=False, help_text='is never left out as not needed')),
                ('source', models.TextField()),
                ('appliance', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='strip_steps', to='donors.appliance')),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.UniqueConstraint(fields=('appliance', 'slug'), name='strip_step_once')],
            },
        ),
        migrations.CreateModel(
            name='WorkshopStep',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('slug', models.SlugField(max_length=40)),
                ('minutes', models.FloatField(help_text='guess: a skilled person, a clean machine')),
                ('needs', models.JSONField(default=list)),
                ('takes', models.JSONField(default=list)),
                ('tools', models.JSONField(default=list)),
                ('tool_class', models.CharField(choices=[('none', 'no tool'), ('basic', 'basic tools'), ('commercially-available', 'commercially available tools'), ('proprietary', "a maker's own tools")], default='none', max_length=24)),
                ('cautions', models.JSONField(default=list)),
                ('two_persons', models.BooleanField(default=False)),
                ('licence', models.CharField(blank=True, choices=[('refrigerant', 'refrigerant handling'), ('gas', 'gas'), ('electrical-safety', 'electrical-safety testing'), ('asbestos', 'asbestos awareness'), ('lifting', 'forklift or stair climber')], max_length=20)),
                ('name', models.CharField(blank=True, max_length=60)),
                ('appliance', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.appliance')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'appliance', 'slug'), name='workshop_step_once'), models.CheckConstraint(condition=models.Q(('minutes__gte', 0), ('minutes__lte', 1440)), name='workshop_step_minutes_can_be')],
            },
        ),
        migrations.CreateModel(
            name='Caution',
            fields=[
                ('slug', models.SlugField(max_length=80, primary_key=True, serialize=False)),
                ('hazard', models.SlugField(max_length=40)),
                ('text', models.TextField()),
                ('licence', models.CharField(blank=True, max_length=40)),
                ('source', models.TextField()),
                ('appliance', models.ForeignKey(null=True, on_delete=django.db.models.deletion.CASCADE, related_name='cautions', to='donors.appliance')),
                ('kind', models.ForeignKey(null=True, on_delete=django.db.models.deletion.CASCADE, related_name='cautions', to='parts.partkind')),
            ],
            options={
                'ordering': ['slug'],
            },
        ),
        migrations.CreateModel(
            name='KindCarried',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('positions', models.JSONField(default=list)),
                ('part_of_intake', models.BooleanField(default=True)),
                ('guide_price', models.FloatField(null=True)),
                ('source', models.TextField()),
                ('appliance', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='carried', to='donors.appliance')),
                ('kind', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='carried_by', to='parts.partkind')),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.UniqueConstraint(fields=('appliance', 'kind'), name='kind_carried_once')],
            },
        ),
        migrations.CreateModel(
            name='Part',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('ref', models.CharField(max_length=130)),
                ('position', models.CharField(blank=True, max_length=40)),
                ('state', models.CharField(choices=[('in-machine', 'in machine'), ('removed', 'removed'), ('shelved', 'shelved'), ('fitted', 'fitted'), ('sold', 'sold'), ('scrapped', 'scrapped')], default='in-machine', max_length=12)),
                ('part_number', models.CharField(blank=True, help_text='as printed', max_length=80)),
                ('number_canonical', models.CharField(blank=True, editable=False, max_length=80)),
                ('attributes', models.JSONField(blank=True, default=dict)),
                ('grade', models.CharField(choices=[('not-graded', 'not graded'), ('tested-good', 'tested good'), ('tested-worn', 'tested worn'), ('untested', 'untested'), ('scrap', 'scrap')], default='not-graded', max_length=12)),
                ('bin', models.CharField(blank=True, max_length=40)),
                ('price_cents', models.PositiveIntegerField(blank=True, null=True)),
                ('removed_on', models.DateField(blank=True, null=True)),
                ('note', models.TextField(blank=True)),
                ('laid_at_intake', models.BooleanField(default=False, editable=False)),
                ('arrival', models.UUIDField(default=uuid.uuid4, editable=False)),
                ('recorded_at', models.DateTimeField(auto_now_add=True)),
                ('donor', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='parts', to='donors.donor')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
                ('kind', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='parts.partkind')),
                ('number_folded', models.GeneratedField(db_persist=True, expression=django.db.models.functions.comparison.NullIf(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(models.F('number_canonical'), models.Value('O'), models.Value('0')), models.Value('D'), models.Value('0')), models.Value('Q'), models.Value('0')), models.Value('I'), models.Value('1')), models.Value('L'), models.Value('1')), models.Value('Z'), models.Value('2')), models.Value('S'), models.Value('5')), models.Value('B'), models.Value('8')), models.Value('G'), models.Value('6')), models.Value('')), output_field=models.CharField(max_length=80, null=True))),
                ('number_stem', models.GeneratedField(db_persist=True, expression=django.db.models.functions.comparison.NullIf(models.Case(models.When(django.db.models.lookups.In(django.db.models.functions.text.Left(django.db.models.functions.text.Right(models.F('part_number'), 2), 1), (' ', '-', '/', '.', '_', '\t', '\xa0')), then=models.Case(models.When(django.db.models.lookups.GreaterThanOrEqual(django.db.models.functions.text.Length(models.F('number_canonical')), 5), then=django.db.models.functions.text.Left(models.F('number_canonical'), django.db.models.expressions.CombinedExpression(django.db.models.functions.text.Length(models.F('number_canonical')), '-', models.Value(1)))), default=models.Value(''))), models.When(django.db.models.lookups.In(django.db.models.functions.text.Left(django.db.models.functions.text.Right(models.F('part_number'), 3), 1), (' ', '-', '/', '.', '_', '\t', '\xa0')), then=models.Case(models.When(django.db.models.lookups.GreaterThanOrEqual(django.db.models.functions.text.Length(models.F('number_canonical')), 6), then=django.db.models.functions.text.Left(models.F('number_canonical'), django.db.models.expressions.CombinedExpression(django.db.models.functions.text.Length(models.F('number_canonical')), '-', models.Value(2)))), default=models.Value(''))), models.When(django.db.models.lookups.In(django.db.models.functions.text.Left(django.db.models.functions.text.Right(models.F('part_number'), 4), 1), (' ', '-', '/', '.', '_', '\t', '\xa0')), then=models.Case(models.When(django.db.models.lookups.GreaterThanOrEqual(django.db.models.functions.text.Length(models.F('number_canonical')), 7), then=django.db.models.functions.text.Left(models.F('number_canonical'), django.db.models.expressions.CombinedExpression(django.db.models.functions.text.Length(models.F('number_canonical')), '-', models.Value(3)))), default=models.Value(''))), default=models.Value('')), models.Value('')), output_field=models.CharField(max_length=80, null=True))),
                ('gone_on', models.DateField(blank=True, editable=False, help_text='fitted, sold or scrapped on', null=True)),
                ('grade_falls_on', models.DateField(blank=True, editable=False, help_text='when it is worked out anew; see shelf.py', null=True)),
                ('grade_reason', models.TextField(blank=True, editable=False, help_text='what the grade rests on')),
                ('short_code', models.CharField(editable=False, help_text='what stands on its tag; given by parts/codes.py', max_length=16)),
                ('was_bad', models.BooleanField(default=False, editable=False)),
                ('warranty_until', models.DateField(blank=True, editable=False, help_text='given when it was fitted or sold', null=True)),
            ],
            options={
                'ordering': ['id'],
                'indexes': [models.Index(condition=models.Q(('state__in', ['in-machine', 'removed', 'shelved']), models.Q(('grade', 'scrap'), _negated=True)), fields=['workshop', 'kind', 'id'], name='part_available_by_kind'), models.Index(fields=['workshop', 'kind', 'number_canonical'], name='part_by_number'), models.Index(condition=models.Q(('number_folded__isnull', False)), fields=['workshop', 'kind', 'number_folded', 'donor', 'state', 'grade', 'id'], name='part_by_folded'), models.Index(condition=models.Q(('number_stem__isnull', False)), fields=['workshop', 'kind', 'number_stem', 'donor', 'state', 'grade', 'id'], name='part_by_stem'), models.Index(condition=models.Q(('donor__isnull', False)), fields=['donor', 'kind', 'state', 'grade', 'id'], name='part_by_donor'), models.Index(condition=models.Q(('grade_falls_on__isnull', False)), fields=['grade_falls_on', 'id'], name='part_by_fall'), models.Index(condition=models.Q(('price_cents__isnull', False)), fields=['workshop', 'kind', '-id'], name='part_priced_newest'), models.Index(condition=models.Q(('grade', 'scrap')), fields=['workshop', 'kind', 'donor'], name='part_scrap_by_kind'), models.Index(condition=models.Q(('was_bad', True)), fields=['workshop', 'kind', 'donor'], name='part_bad_by_kind')],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'ref'), name='part_ref_once'), models.UniqueConstraint(condition=models.Q(('donor__isnull', False)), fields=('donor', 'kind', 'position'), name='part_once_in_a_machine'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'in-machine'), _negated=True), ('donor__isnull', False), _connector='OR'), name='part_in_machine_has_a_machine'), models.CheckConstraint(condition=models.Q(('grade__in', ['not-graded', 'tested-good', 'tested-worn', 'untested', 'scrap'])), name='part_grade_is_known'), models.CheckConstraint(condition=models.Q(('state__in', ['in-machine', 'removed', 'shelved', 'fitted', 'sold', 'scrapped'])), name='part_state_is_known'), models.CheckConstraint(condition=models.Q(('gone_on__isnull', True), ('state__in', ['fitted', 'sold', 'scrapped']), _connector='OR'), name='part_gone_on_some_day_is_gone'), models.UniqueConstraint(fields=('workshop', 'short_code'), name='part_code_once'), models.CheckConstraint(condition=models.Q(('short_code', ''), _negated=True), name='part_has_a_code'), models.CheckConstraint(condition=models.Q(('warranty_until__isnull', True), ('gone_on__isnull', False), _connector='OR'), name='part_with_warranty_is_gone')],
            },
        ),
        migrations.CreateModel(
            name='PartNumber',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.CharField(help_text='as printed', max_length=80)),
                ('canonical', models.CharField(editable=False, max_length=80)),
                ('kind', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='parts.partkind')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'kind', 'canonical'), name='part_number_once_per_kind'), models.CheckConstraint(condition=models.Q(('canonical', ''), _negated=True), name='part_number_says_something')],
            },
        ),
        migrations.CreateModel(
            name='Sighting',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('position', models.CharField(blank=True, max_length=40)),
                ('number_canonical', models.CharField(max_length=80)),
                ('source', models.CharField(choices=[('donor', "a donor's part"), ('job', "a job's own part")], max_length=8)),
                ('source_ref', models.CharField(help_text='reference of the donor or job', max_length=80)),
                ('make', models.CharField(blank=True, max_length=80)),
                ('model_canonical', models.CharField(blank=True, max_length=80)),
                ('family', models.CharField(blank=True, max_length=60)),
                ('fields', models.JSONField(default=dict)),
                ('built_from', models.DateField(blank=True, null=True)),
                ('built_to', models.DateField(blank=True, null=True)),
                ('certainty', models.FloatField(default=1.0)),
                ('appliance', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.appliance')),
                ('kind', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='parts.partkind')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
                ('number_folded', models.GeneratedField(db_persist=True, expression=django.db.models.functions.comparison.NullIf(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(django.db.models.functions.text.Replace(models.F('number_canonical'), models.Value('O'), models.Value('0')), models.Value('D'), models.Value('0')), models.Value('Q'), models.Value('0')), models.Value('I'), models.Value('1')), models.Value('L'), models.Value('1')), models.Value('Z'), models.Value('2')), models.Value('S'), models.Value('5')), models.Value('B'), models.Value('8')), models.Value('G'), models.Value('6')), models.Value('')), output_field=models.CharField(max_length=80, null=True))),
            ],
            options={
                'ordering': ['id'],
                'indexes': [models.Index(fields=['workshop', 'kind', 'make', 'family'], name='sighting_by_family'), models.Index(fields=['workshop', 'kind', 'number_folded', 'make', 'family'], name='sighting_by_number')],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'source', 'source_ref', 'kind', 'position'), name='sighting_once_per_machine'), models.CheckConstraint(condition=models.Q(('built_from__isnull', True), ('built_to__isnull', True), ('built_to__gte', models.F('built_from')), _connector='OR'), name='sighting_build_interval_runs_forward'), models.CheckConstraint(condition=models.Q(('number_canonical', ''), _negated=True), name='sighting_has_a_number')],
            },
        ),
        migrations.CreateModel(
            name='SurvivalPrior',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('percent', models.FloatField()),
                ('source', models.TextField()),
                ('cause', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='survival', to='donors.failurecause')),
                ('kind', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='survival', to='parts.partkind')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('kind', 'cause'), name='survival_once'), models.CheckConstraint(condition=models.Q(('percent__gte', 0), ('percent__lte', 100)), name='survival_is_a_percentage')],
            },
        ),
        migrations.CreateModel(
            name='BenchTest',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('tested_on', models.DateField()),
                ('verdict', models.CharField(choices=[('good', 'good'), ('worn', 'worn'), ('failed', 'failed'), ('not-measured', 'not measured')], max_length=12)),
                ('readings', models.JSONField(blank=True, default=dict)),
                ('method', models.CharField(help_text='how it was tested, or where that is said', max_length=200)),
                ('note', models.TextField(blank=True)),
                ('tested_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='workshop.member')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
                ('part', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='tests', to='parts.part')),
                ('kind', models.ForeignKey(editable=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='parts.partkind')),
                ('looks_worn', models.BooleanField(default=False, help_text='cosmetically worn')),
                ('meter', models.CharField(blank=True, help_text='what it was measured with', max_length=80)),
                ('verdicts', models.JSONField(blank=True, default=list)),
            ],
            options={
                'ordering': ['-tested_on', '-id'],
                'indexes': [models.Index(fields=['workshop', 'kind'], name='test_by_kind')],
                'constraints': [models.CheckConstraint(condition=models.Q(('verdict__in', ['good', 'worn', 'failed', 'not-measured'])), name='test_verdict_is_known')],
            },
        ),
        migrations.CreateModel(
            name='PartKey',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.BigIntegerField()),
                ('part', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='keys', to='parts.part')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('workshop', 'key', 'part'), name='part_key_once')],
            },
        ),
        migrations.CreateModel(
            name='Photo',
            fields=[
                ('id', models.UUIDField(default=uuid.uuid4, editable=False, primary_key=True, serialize=False)),
                ('step', models.SlugField(blank=True, help_text='slug of the strip step', max_length=80)),
                ('caption', models.CharField(blank=True, max_length=200)),
                ('kept_at', models.DateTimeField()),
                ('width', models.PositiveIntegerField()),
                ('height', models.PositiveIntegerField()),
                ('size_bytes', models.PositiveIntegerField(help_text='both files together')),
                ('donor', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='photos', to='donors.donor')),
                ('part', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='photos', to='parts.part')),
                ('taken_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='workshop.member')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['kept_at', 'id'],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('donor__isnull', False), ('part__isnull', True)), models.Q(('donor__isnull', True), ('part__isnull', False), ('step', '')), _connector='OR'), name='photo_is_of_a_donor_or_a_part')],
            },
        ),
        migrations.CreateModel(
            name='Interchange',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('both_ways', models.BooleanField(default=False)),
                ('note', models.CharField(blank=True, max_length=200)),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
                ('kind', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='parts.partkind')),
                ('from_number', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='parts.partnumber')),
                ('to_number', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='parts.partnumber')),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'from_number', 'to_number'), name='interchange_once'), models.CheckConstraint(condition=models.Q(('from_number', models.F('to_number')), _negated=True), name='interchange_leads_elsewhere')],
            },
        ),
        migrations.CreateModel(
            name='SisterWarning',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('raised_on', models.DateField()),
                ('cleared_on', models.DateField(blank=True, null=True)),
                ('why_cleared', models.CharField(blank=True, max_length=200)),
                ('cleared_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='workshop.member')),
                ('cleared_by_test', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='parts.benchtest')),
                ('failed', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='parts.part')),
                ('part', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='sister_warnings', to='parts.part')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['id'],
                'indexes': [models.Index(condition=models.Q(('cleared_on__isnull', True)), fields=['part'], name='sister_warning_open')],
                'constraints': [models.UniqueConstraint(fields=('part', 'failed'), name='sister_warned_of_once'), models.CheckConstraint(condition=models.Q(('part', models.F('failed')), _negated=True), name='sister_is_another_part'), models.CheckConstraint(condition=models.Q(models.Q(('cleared_by_test__isnull', True), ('cleared_on__isnull', True), ('why_cleared', '')), models.Q(('cleared_by_test__isnull', False), ('cleared_on__isnull', False)), models.Q(('cleared_by__isnull', False), ('cleared_on__isnull', False), models.Q(('why_cleared', ''), _negated=True)), _connector='OR'), name='sister_warning_cleared_by_test_or_reason')],
            },
        ),
        migrations.AddField(
            model_name='Part',
            name='grade_test',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='parts.benchtest'),
        ),
        migrations.AddConstraint(
            model_name='Part',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('grade__in', ['tested-good', 'tested-worn']), _negated=True), ('grade_test__isnull', False), _connector='OR'), name='part_tested_grade_has_a_test'),
        ),
    ]
