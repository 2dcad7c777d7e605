"""What is there after a fault run, against what was acknowledged; run beside the set-up's database.

`python -m bench.faults_audit` reads JSON from standard input (actions acknowledged, letters taken
by the post office) and prints JSON: what is lost, what is there twice, and so on. `quiet` as a word
only prints how much is still under way.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from django.core.files.storage import default_storage  # noqa: E402
from django.db.models import Count, Sum  # noqa: E402

from orders import orphans, outbox  # noqa: E402
from orders.models import (  # noqa: E402
    Closer,
    Design,
    Event,
    Invoice,
    Job,
    Mail,
    Message,
    Order,
    OrderLine,
    Parcel,
    ParcelLine,
    Payment,
    SheetRun,
    Upload,
    Version,
)

OPEN_MAIL = (Mail.Status.WAITING, Mail.Status.SENDING)


def under_way() -> dict[str, int]:
    """Return how much is not settled yet, by kind."""
    return {
        "checks": Version.objects.filter(status__in=("waiting", "checking")).count(),
        "closer looks": Closer.objects.filter(status__in=("waiting", "working")).count(),
        "mails": Mail.objects.filter(status__in=OPEN_MAIL).count(),
    }


def audit(given: dict[str, Any]) -> dict[str, Any]:
    """Return the lists of faults by name, and figures."""
    lost: list[str] = []
    doubled: list[str] = []
    for action in given["acknowledged"]:
        found, wanted = COUNTS[action["kind"]](action)
        if found != wanted:
            told = f"{action}: {found} there, {wanted} wanted"
            (lost if found < wanted else doubled).append(told)
    doubled += _doubled_at_all()
    mails = _mails(given["letters"])
    numbers = list(Invoice.objects.order_by("number").values_list("number", flat=True))
    return {
        "lost": lost,
        "doubled": doubled,
        "counts apart": _counts_apart(),
        "no verdict": [str(v) for v in Version.objects.filter(status__in=("waiting", "checking"))],
        "given up": Version.objects.filter(report__error__code="gave-up").count(),
        **mails,
        "invoices": len(numbers),
        "invoice gaps": [n for n in range(1, max(numbers, default=0) + 1) if n not in numbers],
        "invoices doubled": [n for n, count in Counter(numbers).items() if count > 1],
        **_files(),
    }


def _by_status(rows: Any) -> tuple[int, int]:
    return rows.count(), 1


def _shipped(action: dict[str, Any]) -> tuple[int, int]:
    """The counts of a job that went: wanted, cut, packed and shipped are one number."""
    job = Job.objects.get(code=action["job"])
    told = (job.quantity, job.cut, job.packed, job.shipped)
    sent = ParcelLine.objects.filter(job=job, parcel__withdrawn_at=None)
    pieces = sent.aggregate(n=Sum("count"))["n"] or 0
    parcels = Parcel.objects.filter(order__code=action["order"]).count()
    wanted = action["quantity"]
    is_right = set(told) == {wanted} and job.status == "shipped" and pieces == wanted
    return (1 if is_right else 0) + max(parcels - 1, 0), 1


def _step(action: dict[str, Any]) -> tuple[int, int]:
    rows = Event.objects.filter(life="job", job__code=action["job"], action=action["action"])
    return rows.count(), action["times"]


def _basket(action: dict[str, Any]) -> tuple[int, int]:
    lines = OrderLine.objects.filter(version__design__token=action["token"])
    return lines.aggregate(n=Sum("quantity"))["n"] or 0, action["quantity"]


def _sheet(action: dict[str, Any]) -> tuple[int, int]:
    runs = SheetRun.objects.filter(pieces__job__code=action["job"]).distinct()
    return runs.exclude(status="abandoned").count(), 1


COUNTS: dict[str, Callable[[dict[str, Any]], tuple[int, int]]] = {
    "upload": lambda a: _by_status(Upload.objects.filter(sha256=a["sha256"])),
    "verdict": lambda a: _by_status(
        Event.objects.filter(
            action="checked", version__design__token=a["token"], version__number=a["number"]
        )
    ),
    "version": lambda a: _by_status(
        Version.objects.filter(design__token=a["token"], number=a["number"])
    ),
    "basket": _basket,
    "place": lambda a: _by_status(
        Order.objects.filter(artist__email=a["email"], placed_at__isnull=False)
    ),
    "accept": lambda a: _by_status(
        Event.objects.filter(order__code=a["order"], life="quote", action="accept")
    ),
    "refuse": lambda a: _by_status(
        Event.objects.filter(order__code=a["order"], life="quote", action="refuse")
    ),
    "step": _step,
    "sheet": _sheet,
    "message": lambda a: _by_status(Message.objects.filter(order__code=a["order"], text=a["text"])),
    "pay": lambda a: _by_status(Payment.objects.filter(order__code=a["order"])),
    "invoice": lambda a: _by_status(
        Invoice.objects.filter(order__code=a["order"], kind=Invoice.Kind.INVOICE)
    ),
    "shipped": _shipped,
}


def _doubled_at_all() -> list[str]:
    """What is there twice whether it was acknowledged or not: files, versions, steps at once."""
    again = Upload.objects.values("sha256").annotate(n=Count("pk")).filter(n__gt=1)
    told = [f"file {row['sha256'][:12]} stored {row['n']} times" for row in again]
    for design in Design.objects.annotate(n=Count("versions")).filter(n__gt=3):
        told.append(f"{design} has {design.n} versions")  # type: ignore[attr-defined]
    same = Event.objects.filter(life="job").exclude(revision=0)
    rows = same.values("job", "revision").annotate(n=Count("pk")).filter(n__gt=1)
    told += [
        f"job {row['job']} has {row['n']} events of revision {row['revision']}" for row in rows
    ]
    return told


def _counts_apart() -> list[str]:
    """Jobs whose pieces do not add up: more sent than packed, packed than cut, cut than wanted."""
    jobs = Job.objects.all()
    return [
        str(job)
        for job in jobs
        if not 0 <= job.shipped <= job.packed <= job.cut <= job.quantity
        or (job.status == "shipped") != (job.shipped == job.quantity)
    ]


def _mails(letters: list[dict[str, Any]]) -> dict[str, Any]:
    """Compare the rows with what the post office holds, letter by letter, by its Message-ID."""
    taken = Counter(letter["message_id"] for letter in letters)
    rows = {outbox.message_id(mail): mail for mail in Mail.objects.all()}
    by_status = Counter(str(mail.status) for mail in rows.values())
    silent = [
        f"{mail.kind} to {mail.to}"
        for key, mail in rows.items()
        if mail.status == Mail.Status.SENT and not taken[key]
    ]
    return {
        "mails": len(rows),
        "mails sent": by_status["sent"],
        "mails in doubt": by_status["in-doubt"],
        "mails failed": by_status["failed"],
        "mails withdrawn": by_status["withdrawn"],
        "mails twice": [f"{key}: {n} times" for key, n in taken.items() if n > 1],
        "mails lost": silent,
        "mails unknown": [key for key in taken if key not in rows],
        "told as failed though taken": [
            key for key, mail in rows.items() if mail.status == "failed" and taken[key]
        ],
    }


def _files() -> dict[str, Any]:
    """Every file belongs to a row; every row's file is there, an upload's with its checksum."""
    named = orphans.named_files()
    missing = sorted(name for name in named if not default_storage.exists(name))
    altered = [upload.file.name for upload in Upload.objects.all() if not _is_whole(upload)]
    return {
        "files": len(named),
        "files missing": missing,
        "files altered": altered,
        "orphans": sorted(set(_stored("")) - named),
    }


def _is_whole(upload: Upload) -> bool:
    if not default_storage.exists(str(upload.file.name)):
        return False
    with default_storage.open(str(upload.file.name)) as stored:
        return hashlib.sha256(stored.read()).hexdigest() == upload.sha256


def _stored(folder: str) -> Iterator[str]:
    folders, files = default_storage.listdir(folder)
    for name in files:
        yield f"{folder}/{name}".lstrip("/")
    for name in folders:
        yield from _stored(f"{folder}/{name}".lstrip("/"))


if __name__ == "__main__":
    what = under_way() if "quiet" in sys.argv else audit(json.load(sys.stdin))
    print(json.dumps(what, default=str))
