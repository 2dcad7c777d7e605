from django.db import migrations
from django.utils import timezone


def date_parcels(apps, schema_editor):
    """Give each parcel its own date; new ones get it when they are sent."""
    Parcel = apps.get_model("orders", "Parcel")
    for parcel in Parcel.objects.only("sent_at").iterator():
        Parcel.objects.filter(pk=parcel.pk).update(sent_on=timezone.localdate(parcel.sent_at))


def tally_counts(apps, schema_editor):
    """Write down what earlier counts came to: each event holds the numbers before it.

    Reasons were kept in words; those that are known by their words are kept, the rest is "other".
    The laser's seconds were not kept and stay 0.
    """
    Event, Job, Tally = (apps.get_model("orders", n) for n in ("Event", "Job", "Tally"))
    reasons = {"spoiled: melted": "melted", "spoiled: shifted": "shifted",
               "spoiled: not cut through": "not-through", "spoiled: scratched": "scratched"}
    now = {job.pk: (job.cut, job.spoiled) for job in Job.objects.only("cut", "spoiled")}
    undone = set(Event.objects.exclude(undoes=None).values_list("undoes_id", flat=True))
    rows = []
    events = Event.objects.filter(life="job", action__in=("count", "undo"), job__isnull=False)
    for event in events.order_by("-id").iterator():
        if "cut" not in event.before:
            continue
        cut, spoiled = now[event.job_id]
        now[event.job_id] = (event.before["cut"], event.before.get("spoiled", spoiled))
        good, bad = cut - event.before["cut"], spoiled - event.before.get("spoiled", spoiled)
        if event.action == "undo" or event.pk in undone:
            continue
        of = {"event_id": event.pk, "job_id": event.job_id, "on": timezone.localdate(event.at)}
        if good:
            rows.append(Tally(good=good, **of))
        if bad:
            rows.append(Tally(spoiled=bad, reason=reasons.get(event.why, "other"), **of))
    Tally.objects.bulk_create(rows, batch_size=500)


class Migration(migrations.Migration):

    dependencies = [("orders", "0009_packing")]

    operations = [
        migrations.RunPython(date_parcels, migrations.RunPython.noop),
        migrations.RunPython(tally_counts, migrations.RunPython.noop),
    ]
