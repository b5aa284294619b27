import django.contrib.auth.models
import django.contrib.auth.validators
import django.db.models.deletion
import django.utils.timezone
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('workshop', '0001_initial'), ('workshop', '0002_kept_replies'), ('workshop', '0003_certificates_and_strip_rate'), ('workshop', '0004_labels_and_photos'), ('workshop', '0005_patterns_due'), ('workshop', '0006_jobs')]

    initial = True

    dependencies = [
        ('auth', '0012_alter_user_first_name_max_length'),
    ]

    operations = [
        migrations.CreateModel(
            name='DispatcherPulse',
            fields=[
                ('name', models.CharField(max_length=120, primary_key=True, serialize=False)),
                ('beat_at', models.DateTimeField()),
                ('handled', models.PositiveBigIntegerField(default=0)),
            ],
        ),
        migrations.CreateModel(
            name='ReferenceRelease',
            fields=[
                ('name', models.CharField(max_length=80, primary_key=True, serialize=False)),
                ('sha256', models.CharField(max_length=64)),
                ('loaded_at', models.DateTimeField(auto_now=True)),
            ],
        ),
        migrations.CreateModel(
            name='User',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('password', models.CharField(max_length=128, verbose_name='password')),
                ('last_login', models.DateTimeField(blank=True, null=True, verbose_name='last login')),
                ('is_superuser', models.BooleanField(default=False, help_text='Designates that this user has all permissions without explicitly assigning them.', verbose_name='superuser status')),
                ('username', models.CharField(error_messages={'unique': 'A user with that username already exists.'}, help_text='Required. 150 characters or fewer. Letters, digits and @/./+/-/_ only.', max_length=150, unique=True, validators=[django.contrib.auth.validators.UnicodeUsernameValidator()], verbose_name='username')),
                ('first_name', models.CharField(blank=True, max_length=150, verbose_name='first name')),
                ('last_name', models.CharField(blank=True, max_length=150, verbose_name='last name')),
                ('email', models.EmailField(blank=True, max_length=254, verbose_name='email address')),
                ('is_staff', models.BooleanField(default=False, help_text='Designates whether the user can log into this admin site.', verbose_name='staff status')),
                ('is_active', models.BooleanField(default=True, help_text='Designates whether this user should be treated as active. Unselect this instead of deleting accounts.', verbose_name='active')),
                ('date_joined', models.DateTimeField(default=django.utils.timezone.now, verbose_name='date joined')),
                ('groups', models.ManyToManyField(blank=True, help_text='The groups this user belongs to. A user will get all permissions granted to each of their groups.', related_name='user_set', related_query_name='user', to='auth.group', verbose_name='groups')),
                ('user_permissions', models.ManyToManyField(blank=True, help_text='Specific permissions for this user.', related_name='user_set', related_query_name='user', to='auth.permission', verbose_name='user permissions')),
            ],
            options={
                'verbose_name': 'user',
                'verbose_name_plural': 'users',
                'abstract': False,
            },
            managers=[
                ('objects', django.contrib.auth.models.UserManager()),
            ],
        ),
        migrations.CreateModel(
            name='Workshop',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=120)),
                ('slug', models.SlugField(max_length=60, unique=True)),
                ('currency', models.CharField(default='EUR', help_text='ISO 4217 code', max_length=3)),
                ('alert_from_p_fit', models.FloatField(default=0.5, help_text='a technician is told of matches at least this likely to fit')),
                ('hold_days', models.PositiveSmallIntegerField(default=5, help_text='a hold lapses after this many days (common practice: 3 to 7)')),
                ('wait_days', models.PositiveSmallIntegerField(default=30, help_text='a job waits this long unless said otherwise (common practice)')),
                ('is_demo', models.BooleanField(default=False)),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('strip_rate_per_min', models.FloatField(default=0.6, help_text="what a minute of stripping costs, in the workshop's money")),
                ('label_address', models.CharField(blank=True, help_text="the site's address on labels; blank: the bare code", max_length=120)),
                ('photo_quota_mb', models.PositiveIntegerField(default=2000, help_text='megabytes its photos may take on disk')),
                ('patterns_due', models.DateTimeField(blank=True, editable=False, null=True)),
                ('first_review_days', models.PositiveSmallIntegerField(default=14, help_text='a waiting job is looked at again after so many days (guide)')),
                ('listing_collection_cents', models.PositiveIntegerField(default=2000, help_text='what fetching a machine costs, unless said otherwise')),
                ('listing_days', models.PositiveSmallIntegerField(default=21, help_text='a listing not seen again expires after this many days')),
                ('listing_margin_percent', models.PositiveSmallIntegerField(default=25, help_text="part of a listed machine's worth that is kept, in percent")),
                ('proposal_hours', models.PositiveSmallIntegerField(default=48, help_text='a part proposed to a job falls to the next after this (our choice)')),
                ('second_review_days', models.PositiveSmallIntegerField(default=28, help_text='and once more after so many days (guide)')),
            ],
            options={
                'ordering': ['slug'],
                'constraints': [models.CheckConstraint(condition=models.Q(('alert_from_p_fit__gte', 0), ('alert_from_p_fit__lte', 1)), name='workshop_alert_from_is_a_probability'), models.CheckConstraint(condition=models.Q(('hold_days__gte', 1), ('wait_days__gte', 1)), name='workshop_days_are_positive'), models.CheckConstraint(condition=models.Q(('strip_rate_per_min__gte', 0), ('strip_rate_per_min__lte', 1000)), name='workshop_strip_rate_can_be'), models.CheckConstraint(condition=models.Q(('proposal_hours__gte', 1), ('proposal_hours__lte', 720)), name='workshop_proposal_hours_can_be'), models.CheckConstraint(condition=models.Q(('first_review_days__gte', 1), ('second_review_days__gt', models.F('first_review_days')), ('second_review_days__lte', 366)), name='workshop_reviews_follow_each_other'), models.CheckConstraint(condition=models.Q(('listing_days__gte', 1), ('listing_margin_percent__lte', 100)), name='workshop_listing_terms_can_be')],
            },
        ),
        migrations.CreateModel(
            name='SweepPulse',
            fields=[
                ('id', models.PositiveSmallIntegerField(default=1, primary_key=True, serialize=False)),
                ('ended_at', models.DateTimeField()),
                ('mended', models.PositiveIntegerField(default=0)),
                ('failed', models.PositiveSmallIntegerField(default=0, help_text='repairs that raised')),
            ],
            options={
                'constraints': [models.CheckConstraint(condition=models.Q(('id', 1)), name='sweep_pulse_is_one_row')],
            },
        ),
        migrations.CreateModel(
            name='RefCounter',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('prefix', models.CharField(max_length=8)),
                ('last', models.PositiveIntegerField(default=0)),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('workshop', 'prefix'), name='counter_once_per_prefix')],
            },
        ),
        migrations.CreateModel(
            name='OutboxEvent',
            fields=[
                ('id', models.UUIDField(default=uuid.uuid4, editable=False, primary_key=True, serialize=False)),
                ('kind', models.CharField(max_length=40)),
                ('payload', models.JSONField(default=dict)),
                ('recorded_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('available_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('leased_until', models.DateTimeField(blank=True, null=True)),
                ('lease', models.UUIDField(blank=True, null=True)),
                ('attempts', models.PositiveSmallIntegerField(default=0)),
                ('last_error', models.TextField(blank=True)),
                ('done_at', models.DateTimeField(blank=True, null=True)),
                ('dead_at', models.DateTimeField(blank=True, null=True)),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
                ('request_id', models.CharField(blank=True, default='', help_text='what caused it', max_length=64)),
            ],
            options={
                'ordering': ['recorded_at', 'id'],
                'indexes': [models.Index(condition=models.Q(('dead_at__isnull', True), ('done_at__isnull', True)), fields=['available_at'], name='outbox_open'), models.Index(condition=models.Q(('dead_at__isnull', False)), fields=['workshop', 'dead_at'], name='outbox_dead')],
                'constraints': [models.CheckConstraint(condition=models.Q(('done_at__isnull', True), ('dead_at__isnull', True), _connector='OR'), name='outbox_done_or_dead_not_both'), models.CheckConstraint(condition=models.Q(models.Q(('lease__isnull', True), ('leased_until__isnull', True)), models.Q(('lease__isnull', False), ('leased_until__isnull', False)), _connector='OR'), name='outbox_lease_has_an_end')],
            },
        ),
        migrations.CreateModel(
            name='Member',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('role', models.CharField(choices=[('cataloguer', 'cataloguer'), ('technician', 'technician'), ('reviewer', 'reviewer'), ('owner', 'owner')], max_length=12)),
                ('active', models.BooleanField(default=True)),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='memberships', to=settings.AUTH_USER_MODEL)),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'user'), name='member_once_per_workshop'), models.CheckConstraint(condition=models.Q(('role__in', ['cataloguer', 'technician', 'reviewer', 'owner'])), name='member_role_is_known')],
            },
        ),
        migrations.CreateModel(
            name='KeptReply',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.CharField(max_length=128)),
                ('fingerprint', models.CharField(help_text='who asked for what, SHA-256', max_length=64)),
                ('status', models.PositiveSmallIntegerField(default=0)),
                ('body', models.TextField(blank=True)),
                ('content_type', models.CharField(blank=True, max_length=80)),
                ('kept_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'indexes': [models.Index(fields=['kept_at'], name='kept_reply_age')],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'key'), name='kept_reply_once_per_key')],
            },
        ),
        migrations.CreateModel(
            name='Certificate',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('refrigerant', 'refrigerant handling'), ('gas', 'gas'), ('electrical-safety', 'electrical-safety testing'), ('asbestos', 'asbestos awareness'), ('lifting', 'forklift or stair climber')], max_length=20)),
                ('number', models.CharField(help_text='as printed on the certificate', max_length=60)),
                ('valid_until', models.DateField()),
                ('member', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='certificates', to='workshop.member')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['member', 'kind', '-valid_until', 'id'],
                'constraints': [models.UniqueConstraint(fields=('workshop', 'member', 'kind', 'number'), name='certificate_once'), models.CheckConstraint(condition=models.Q(('kind__in', ['refrigerant', 'gas', 'electrical-safety', 'asbestos', 'lifting'])), name='certificate_kind_is_known'), models.CheckConstraint(condition=models.Q(('number', ''), _negated=True), name='certificate_has_a_number')],
            },
        ),
        migrations.CreateModel(
            name='Replay',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField()),
                ('gave_up_at', models.DateTimeField()),
                ('error', models.TextField(blank=True)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.outboxevent')),
                ('member', models.ForeignKey(blank=True, help_text='empty: whoever runs the server, by command', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='workshop.member')),
                ('workshop', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='workshop.workshop')),
            ],
            options={
                'ordering': ['-at', '-id'],
                'indexes': [models.Index(fields=['workshop', '-at', '-id'], name='replays_latest')],
                'constraints': [models.CheckConstraint(condition=models.Q(('at__gte', models.F('gave_up_at'))), name='replay_after_giving_up')],
            },
        ),
    ]
