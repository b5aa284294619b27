import django.db.models.deletion
import django.db.models.functions.comparison
import donors.domain.recognising
import uuid
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('donors', '0001_initial'), ('donors', '0002_initial'), ('donors', '0003_how_named'), ('donors', '0004_machine_keys'), ('donors', '0005_covering_keys'), ('donors', '0006_last_sold'), ('donors', '0007_guessed_patterns'), ('donors', '0008_build_readings'), ('donors', '0009_jobs')]

    initial = True

    dependencies = [
        ('workshop', '0001_squashed_0006_jobs'),
    ]

    operations = [
        migrations.CreateModel(
            name='Appliance',
            fields=[
                ('slug', models.SlugField(max_length=40, primary_key=True, serialize=False)),
                ('name', models.CharField(max_length=60)),
                ('mean_life_years', models.FloatField(null=True)),
                ('mass_kg_low', models.FloatField(null=True)),
                ('mass_kg_high', models.FloatField(null=True)),
                ('two_persons', models.BooleanField(default=False)),
                ('plate_places', models.JSONField(default=list)),
                ('source', models.TextField()),
            ],
            options={
                'ordering': ['name'],
            },
        ),
        migrations.CreateModel(
            name='CatalogueClock',
            fields=[
                ('workshop_id', models.BigIntegerField(primary_key=True, serialize=False)),
                ('seq', models.BigIntegerField()),
                ('mark', models.CharField(max_length=32)),
            ],
        ),
        migrations.CreateModel(
            name='Make',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=80)),
                ('key', models.CharField(editable=False, help_text='canonical form of the name', max_length=80)),
                ('aliases', models.JSONField(blank=True, default=list)),
                ('pattern', models.CharField(blank=True, max_length=200)),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
                ('guessed_from', models.PositiveIntegerField(default=0, editable=False)),
                ('guessed_pattern', models.CharField(blank=True, editable=False, max_length=200)),
                ('date_code', models.CharField(blank=True, choices=[('ISO_WEEK', 'year and week, four figures of the year'), ('YEAR_WEEK', 'year and week, two figures of the year'), ('DIGIT_WEEK', 'year and week, one figure of the year'), ('DIGIT_DAY', 'year, month and day, one figure of the year'), ('LETTER_MANUAL', "letter year of a maker's manual, 2001 onward"), ('LETTER_IEC', 'letter year of IEC 60062')], help_text='how its build-date codes are written', max_length=16)),
                ('date_code_start', models.PositiveSmallIntegerField(blank=True, help_text='place in the serial number where the code begins, from 1', null=True)),
            ],
            options={
                'ordering': ['name'],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'key'), name='make_once_per_workshop'), models.CheckConstraint(condition=models.Q(('key', ''), _negated=True), name='make_has_a_name'), models.CheckConstraint(condition=models.Q(('date_code__in', ['', 'ISO_WEEK', 'YEAR_WEEK', 'DIGIT_WEEK', 'DIGIT_DAY', 'LETTER_MANUAL', 'LETTER_IEC'])), name='make_date_code_is_known'), models.CheckConstraint(condition=models.Q(('date_code_start__isnull', True), models.Q(('date_code_start__gte', 1), models.Q(('date_code', ''), _negated=True)), _connector='OR'), name='make_date_code_start_has_a_code')],
            },
        ),
        migrations.CreateModel(
            name='NumberChange',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('workshop_id', models.BigIntegerField()),
                ('seq', models.BigIntegerField()),
                ('mark', models.CharField(max_length=32)),
                ('model_id', models.BigIntegerField()),
            ],
            options={
                'ordering': ['workshop_id', 'seq', 'id'],
                'indexes': [models.Index(fields=['workshop_id', 'seq'], name='number_changes_in_order')],
            },
        ),
        migrations.CreateModel(
            name='FailureCause',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('slug', models.SlugField(max_length=40)),
                ('name', models.CharField(max_length=80)),
                ('words', models.JSONField(default=list, help_text='words that name it in free text')),
                ('spoils_parts', models.BooleanField(default=False, help_text='fire or flood: no part is sold, whatever it measures')),
                ('source', models.TextField()),
                ('appliance', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='causes', to='donors.appliance')),
            ],
            options={
                'ordering': ['appliance', 'id'],
                'constraints': [models.UniqueConstraint(fields=('appliance', 'slug'), name='cause_once_per_appliance')],
            },
        ),
        migrations.CreateModel(
            name='ModelNumber',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.CharField(help_text='as printed', max_length=80)),
                ('canonical', models.CharField(editable=False, max_length=80)),
                ('folded', models.CharField(editable=False, max_length=80)),
                ('wildcard', models.BooleanField(default=False, editable=False)),
                ('family', models.CharField(blank=True, max_length=60)),
                ('appliance', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.appliance')),
                ('make', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='numbers', to='donors.make')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
                ('last_sold_from', models.DateField(blank=True, null=True)),
                ('last_sold_to', models.DateField(blank=True, null=True)),
            ],
            options={
                'ordering': ['id'],
                'indexes': [models.Index(fields=['workshop', 'canonical'], name='model_by_canonical'), models.Index(fields=['workshop', 'folded'], name='model_by_folded')],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'make', 'canonical'), name='model_once_per_make'), models.CheckConstraint(condition=models.Q(('canonical', ''), _negated=True), name='model_has_a_number'), models.CheckConstraint(condition=models.Q(models.Q(('last_sold_from__isnull', True), ('last_sold_to__isnull', True)), models.Q(('last_sold_from__isnull', False), ('last_sold_to__gte', models.F('last_sold_from'))), _connector='OR'), name='model_last_sold_runs_forward')],
            },
        ),
        migrations.CreateModel(
            name='ModelAlias',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('alias', models.CharField(max_length=80)),
                ('canonical', models.CharField(editable=False, max_length=80)),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
                ('model', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='aliases', to='donors.modelnumber')),
            ],
            options={
                'ordering': ['id'],
                'indexes': [models.Index(fields=['workshop', 'canonical'], name='alias_by_canonical')],
                'constraints': [models.UniqueConstraint(fields=('model', 'canonical'), name='alias_once_per_model'), models.CheckConstraint(condition=models.Q(('canonical', ''), _negated=True), name='alias_has_a_name')],
            },
        ),
        migrations.CreateModel(
            name='Donor',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('make_as_read', models.CharField(blank=True, max_length=80)),
                ('make_is_guess', models.BooleanField(default=False)),
                ('model_number', models.CharField(blank=True, help_text='as read on the plate', max_length=80)),
                ('model_canonical', models.CharField(blank=True, editable=False, max_length=80)),
                ('recognised_how', models.CharField(choices=[('exact', 'exact'), ('alias', 'alias'), ('wildcard', 'wildcard'), ('confusable', 'confusable'), ('shortened', 'shortened'), ('near', 'near'), ('named', 'named'), ('unknown', 'unknown')], default=donors.domain.recognising.How['UNKNOWN'], max_length=12)),
                ('confirmed', models.BooleanField(default=False, help_text='a person said which model it is')),
                ('likely_number', models.CharField(blank=True, editable=False, max_length=80)),
                ('family', models.CharField(blank=True, editable=False, max_length=60)),
                ('fields', models.JSONField(default=dict, editable=False)),
                ('certainty', models.FloatField(default=0.0, editable=False, help_text='how sure the recognition is, 0 to 1; 1 when exact or confirmed by a person')),
                ('serial_number', models.CharField(blank=True, max_length=60)),
                ('built_from', models.DateField(blank=True, null=True)),
                ('built_to', models.DateField(blank=True, null=True)),
                ('ref', models.CharField(max_length=40)),
                ('state', models.CharField(choices=[('whole', 'whole'), ('stripping', 'being stripped'), ('stripped', 'stripped'), ('gone', 'gone')], default='whole', max_length=10)),
                ('received_on', models.DateField()),
                ('note', models.TextField(blank=True)),
                ('arrival', models.UUIDField(default=uuid.uuid4, editable=False, help_text='new each time the machine comes in')),
                ('recorded_at', models.DateTimeField(auto_now_add=True)),
                ('appliance', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.appliance')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
                ('cause', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.failurecause')),
                ('make', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.make')),
                ('recognised', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to='donors.modelnumber')),
                ('number_key', models.GeneratedField(db_persist=True, expression=django.db.models.functions.comparison.Coalesce(django.db.models.functions.comparison.NullIf(models.F('likely_number'), models.Value('')), models.F('model_canonical')), help_text='what machine().number is: the number it is matched by', output_field=models.CharField(max_length=80))),
                ('build_known', models.CharField(blank=True, choices=[('printed', 'printed on the plate'), ('coded', 'from a code on the plate'), ('serial', 'from the serial number'), ('bounds', 'not before and not after')], help_text='how the build date is known', max_length=8)),
                ('build_reading', models.JSONField(blank=True, default=dict, editable=False)),
            ],
            options={
                'ordering': ['-received_on', '-id'],
                'abstract': False,
                'indexes': [models.Index(fields=['workshop', 'family', 'make', 'appliance', 'id'], name='donor_by_family'), models.Index(fields=['workshop', 'make', 'number_key', 'appliance', 'id'], name='donor_by_model')],
                'constraints': [models.CheckConstraint(condition=models.Q(('built_from__isnull', True), ('built_to__isnull', True), ('built_to__gte', models.F('built_from')), _connector='OR'), name='donor_build_interval_runs_forward'), models.CheckConstraint(condition=models.Q(('certainty__gte', 0), ('certainty__lte', 1)), name='donor_certainty_is_a_probability'), models.UniqueConstraint(fields=('workshop', 'ref'), name='donor_ref_once'), models.CheckConstraint(condition=models.Q(('state__in', ['whole', 'stripping', 'stripped', 'gone'])), name='donor_state_is_known'), models.CheckConstraint(condition=models.Q(('build_known__in', ['', 'printed', 'coded', 'serial', 'bounds'])), name='donor_build_known_is_known')],
            },
        ),
        migrations.CreateModel(
            name='Listing',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('make_as_read', models.CharField(blank=True, max_length=80)),
                ('make_is_guess', models.BooleanField(default=False)),
                ('model_number', models.CharField(blank=True, help_text='as read on the plate', max_length=80)),
                ('model_canonical', models.CharField(blank=True, editable=False, max_length=80)),
                ('recognised_how', models.CharField(choices=[('exact', 'exact'), ('alias', 'alias'), ('wildcard', 'wildcard'), ('confusable', 'confusable'), ('shortened', 'shortened'), ('near', 'near'), ('named', 'named'), ('unknown', 'unknown')], default=donors.domain.recognising.How['UNKNOWN'], max_length=12)),
                ('confirmed', models.BooleanField(default=False, help_text='a person said which model it is')),
                ('likely_number', models.CharField(blank=True, editable=False, max_length=80)),
                ('number_key', models.GeneratedField(db_persist=True, expression=django.db.models.functions.comparison.Coalesce(django.db.models.functions.comparison.NullIf(models.F('likely_number'), models.Value('')), models.F('model_canonical')), help_text='what machine().number is: the number it is matched by', output_field=models.CharField(max_length=80))),
                ('family', models.CharField(blank=True, editable=False, max_length=60)),
                ('fields', models.JSONField(default=dict, editable=False)),
                ('certainty', models.FloatField(default=0.0, editable=False, help_text='how sure the recognition is, 0 to 1; 1 when exact or confirmed by a person')),
                ('serial_number', models.CharField(blank=True, max_length=60)),
                ('built_from', models.DateField(blank=True, null=True)),
                ('built_to', models.DateField(blank=True, null=True)),
                ('build_known', models.CharField(blank=True, choices=[('printed', 'printed on the plate'), ('coded', 'from a code on the plate'), ('serial', 'from the serial number'), ('bounds', 'not before and not after')], help_text='how the build date is known', max_length=8)),
                ('build_reading', models.JSONField(blank=True, default=dict, editable=False)),
                ('ref', models.CharField(max_length=40)),
                ('state', models.CharField(choices=[('open', 'for sale'), ('bought', 'bought'), ('gone', 'gone'), ('declined', 'not worth it'), ('expired', 'expired')], default='open', max_length=8)),
                ('source', models.CharField(choices=[('text', 'pasted text'), ('feed', 'saved feed'), ('csv', 'CSV file'), ('email', 'e-mail file')], default='text', max_length=8)),
                ('title', models.CharField(max_length=200)),
                ('text', models.TextField(help_text='as it was given, tags and all')),
                ('link', models.CharField(blank=True, help_text='its address or id elsewhere', max_length=500)),
                ('link_key', models.CharField(blank=True, editable=False, max_length=64)),
                ('price_cents', models.PositiveIntegerField(blank=True, null=True)),
                ('price_low_cents', models.PositiveIntegerField(blank=True, null=True)),
                ('currency', models.CharField(blank=True, max_length=3)),
                ('read', models.JSONField(default=dict, editable=False)),
                ('stated', models.JSONField(default=list, editable=False)),
                ('seen_on', models.DateField(help_text='first seen')),
                ('last_seen_on', models.DateField()),
                ('expires_on', models.DateField(help_text='not counted with after this day')),
                ('collection_cents', models.PositiveIntegerField(blank=True, help_text="what fetching it costs; empty: the workshop's usual", null=True)),
                ('margin_percent', models.PositiveSmallIntegerField(blank=True, help_text="part of its worth kept; empty: the workshop's usual", null=True)),
                ('closed_on', models.DateField(blank=True, null=True)),
                ('why_closed', models.CharField(blank=True, max_length=200)),
                ('paid_cents', models.PositiveIntegerField(blank=True, null=True)),
                ('recorded_at', models.DateTimeField(auto_now_add=True)),
                ('added_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='workshop.member')),
                ('appliance', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.appliance')),
                ('cause', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.failurecause')),
                ('donor', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='listing', to='donors.donor')),
                ('make', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='donors.make')),
                ('recognised', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to='donors.modelnumber')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['-seen_on', '-id'],
                'abstract': False,
                'indexes': [models.Index(fields=['workshop', 'family', 'make', 'appliance', 'id'], name='listing_by_family'), models.Index(fields=['workshop', 'make', 'number_key', 'appliance', 'id'], name='listing_by_model'), models.Index(condition=models.Q(('state', 'open')), fields=['expires_on'], name='listing_may_expire'), models.Index(fields=['workshop', 'state', '-seen_on', '-id'], name='listing_by_state')],
                'constraints': [models.CheckConstraint(condition=models.Q(('built_from__isnull', True), ('built_to__isnull', True), ('built_to__gte', models.F('built_from')), _connector='OR'), name='listing_build_interval_runs_forward'), models.CheckConstraint(condition=models.Q(('certainty__gte', 0), ('certainty__lte', 1)), name='listing_certainty_is_a_probability'), models.CheckConstraint(condition=models.Q(('build_known__in', ['', 'printed', 'coded', 'serial', 'bounds'])), name='listing_build_known_is_known'), models.UniqueConstraint(fields=('workshop', 'ref'), name='listing_ref_once'), models.UniqueConstraint(condition=models.Q(('link_key', ''), _negated=True), fields=('workshop', 'link_key'), name='listing_link_once'), models.CheckConstraint(condition=models.Q(models.Q(('donor__isnull', True), ('paid_cents__isnull', True), ('state__in', ['open', 'gone', 'declined', 'expired'])), models.Q(('donor__isnull', False), ('paid_cents__isnull', False), ('state', 'bought')), _connector='OR'), name='listing_bought_is_a_donor'), models.CheckConstraint(condition=models.Q(models.Q(('closed_on__isnull', True), ('state', 'open')), models.Q(models.Q(('state', 'open'), _negated=True), ('closed_on__isnull', False)), _connector='OR'), name='listing_end_has_its_day'), models.CheckConstraint(condition=models.Q(models.Q(('price_cents__isnull', True), ('price_low_cents__isnull', True)), models.Q(('price_cents__gte', models.F('price_low_cents')), ('price_low_cents__isnull', False)), _connector='OR'), name='listing_price_runs_upwards'), models.CheckConstraint(condition=models.Q(('margin_percent__isnull', True), ('margin_percent__lte', 100), _connector='OR'), name='listing_margin_is_a_share'), models.CheckConstraint(condition=models.Q(('expires_on__gte', models.F('seen_on')), ('last_seen_on__gte', models.F('seen_on'))), name='listing_seen_forward'), models.CheckConstraint(condition=models.Q(models.Q(('text', ''), _negated=True), models.Q(('title', ''), _negated=True)), name='listing_says_words'), models.CheckConstraint(condition=models.Q(('source__in', ['text', 'feed', 'csv', 'email'])), name='listing_source_is_known')],
            },
        ),
        migrations.CreateModel(
            name='ListingKey',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.BigIntegerField()),
                ('listing', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='keys', to='donors.listing')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('workshop', 'key', 'listing'), name='listing_key_once')],
            },
        ),
        migrations.CreateModel(
            name='ListingSighting',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('seen_on', models.DateField()),
                ('price_cents', models.PositiveIntegerField(blank=True, null=True)),
                ('currency', models.CharField(blank=True, max_length=3)),
                ('source', models.CharField(choices=[('text', 'pasted text'), ('feed', 'saved feed'), ('csv', 'CSV file'), ('email', 'e-mail file')], max_length=8)),
                ('link', models.CharField(blank=True, max_length=500)),
                ('listing', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='sightings', to='donors.listing')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['seen_on', 'id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('source__in', ['text', 'feed', 'csv', 'email'])), name='listing_sighting_source_is_known')],
            },
        ),
    ]
