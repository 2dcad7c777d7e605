import django.core.validators
import django.db.models.deletion
import django.utils.timezone
import orders.codes
from decimal import Decimal
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('orders', '0011_pulse'),
    ]

    operations = [
        migrations.AddField(
            model_name='workshop',
            name='shelf_share_percent',
            field=models.DecimalField(decimal_places=2, default=Decimal('15'), max_digits=5, validators=[django.core.validators.MinValueValidator(Decimal('0')), django.core.validators.MaxValueValidator(Decimal('100'))]),
        ),
        migrations.AlterField(
            model_name='event',
            name='life',
            field=models.CharField(choices=[('version', 'Version'), ('quote', 'Quote'), ('job', 'Job'), ('run', 'Run'), ('order', 'Order'), ('machine', 'Machine'), ('shelf', 'Shelf')], max_length=8),
        ),
        migrations.CreateModel(
            name='SharePayout',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('month', models.DateField()),
                ('amount', models.DecimalField(decimal_places=4, max_digits=14)),
                ('currency', models.CharField(max_length=3)),
                ('paid_on', models.DateField()),
                ('reference', models.CharField(blank=True, max_length=80)),
                ('at', models.DateTimeField(default=django.utils.timezone.now)),
                ('press', models.CharField(max_length=60, unique=True)),
                ('artist', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='share_payouts', to=settings.AUTH_USER_MODEL)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('counters', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='countered_by', to='orders.sharepayout')),
            ],
            options={
                'ordering': ('id',),
            },
        ),
        migrations.CreateModel(
            name='ShelfOffer',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.CharField(default=orders.codes.new_code, max_length=12, unique=True)),
                ('shown_name', models.CharField(blank=True, max_length=80)),
                ('share_percent', models.DecimalField(decimal_places=2, max_digits=5)),
                ('consent_text', models.TextField()),
                ('consented_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('revoked_at', models.DateTimeField(blank=True, null=True)),
                ('taken_down_at', models.DateTimeField(blank=True, null=True)),
                ('taken_down_why', models.TextField(blank=True)),
                ('artist', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='shelf_offers', to=settings.AUTH_USER_MODEL)),
                ('design', models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='shelf_offers', to='orders.design')),
                ('taken_down_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ('-consented_at', '-id'),
            },
        ),
        migrations.AddField(
            model_name='orderline',
            name='shelf_offer',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='orders.shelfoffer'),
        ),
        migrations.CreateModel(
            name='ShelfPayee',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(blank=True, max_length=120)),
                ('pay_to', models.CharField(blank=True, max_length=300)),
                ('person', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='shelf_payee', to=settings.AUTH_USER_MODEL)),
            ],
        ),
        migrations.CreateModel(
            name='ShelfSale',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('unit_price', models.DecimalField(decimal_places=4, max_digits=14)),
                ('share_percent', models.DecimalField(decimal_places=2, max_digits=5)),
                ('share_each', models.DecimalField(decimal_places=4, max_digits=14)),
                ('currency', models.CharField(max_length=3)),
                ('job', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='shelf_sale', to='orders.job')),
                ('offer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='sales', to='orders.shelfoffer')),
            ],
        ),
        migrations.CreateModel(
            name='ShareLine',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('booked', 'sent'), ('back', 'taken back')], max_length=6)),
                ('pieces', models.IntegerField()),
                ('amount', models.DecimalField(decimal_places=4, max_digits=14)),
                ('currency', models.CharField(max_length=3)),
                ('booked_on', models.DateField(db_index=True)),
                ('why', models.CharField(blank=True, max_length=300)),
                ('at', models.DateTimeField(default=django.utils.timezone.now)),
                ('press', models.CharField(max_length=60, unique=True)),
                ('artist', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='share_lines', to=settings.AUTH_USER_MODEL)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('counters', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='countered_by', to='orders.shareline')),
                ('parcel_line', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='orders.parcelline')),
                ('sale', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='orders.shelfsale')),
            ],
            options={
                'ordering': ('id',),
            },
        ),
        migrations.CreateModel(
            name='ShelfSize',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('offer', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='sizes', to='orders.shelfoffer')),
                ('version', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='shelf_sizes', to='orders.version')),
            ],
            options={
                'ordering': ('id',),
            },
        ),
        migrations.AddConstraint(
            model_name='shelfoffer',
            constraint=models.UniqueConstraint(condition=models.Q(('revoked_at', None), ('taken_down_at', None)), fields=('design',), name='shelf_offer_once'),
        ),
        migrations.AddConstraint(
            model_name='shelfsize',
            constraint=models.UniqueConstraint(fields=('offer', 'version'), name='shelf_size_once'),
        ),
    ]
