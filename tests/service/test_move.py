"""Moving: every row and every file of an embedded installation to PostgreSQL and a bucket."""

import fcntl
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import boto3
import psycopg
import pytest

from tests.service.conftest import KEY, SECRET

pytestmark = pytest.mark.postgresql

ROOT = Path(__file__).resolve().parents[2]
LINE = re.compile(r"^(\w+) +(\d+)  ([0-9a-f]{32})$", re.MULTILINE)


def plain_environment(**more: str) -> dict[str, str]:
    """What a fresh machine has; whatever points at the tests' own database is left out."""
    kept = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
    return {**kept, "DJANGO_SETTINGS_MODULE": "config.settings", **more}


def manage(*words: str, **variables: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(ROOT / "manage.py"), *words],
        env=plain_environment(**variables), capture_output=True, text=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def embedded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An installation on SQLite and a folder with the whole demo in it, stopped."""
    var = tmp_path_factory.mktemp("embedded") / "var"
    for word in ("migrate", "demo"):
        done = manage(word, HOLDFAST_VAR=str(var))
        assert done.returncode == 0, done.stderr
    return var


@pytest.fixture
def database(postgresql: str, request: pytest.FixtureRequest) -> str:
    """A new, empty database of PostgreSQL; its address."""
    name = f"moved_{abs(hash(request.node.name)) % 10**8}"
    with psycopg.connect(postgresql, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
    return postgresql.rsplit("/", 1)[0] + f"/{name}"


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def objects_of(url: str) -> dict[str, bytes]:
    host, _, bucket = url.split("@")[1].split("?")[0].partition("/")
    client = boto3.client(
        "s3", endpoint_url=f"http://{host}", region_name="us-east-1",
        aws_access_key_id=KEY, aws_secret_access_key=SECRET,
    )  # fmt: skip
    listed = client.list_objects_v2(Bucket=bucket).get("Contents", [])
    return {
        entry["Key"].removeprefix("media/"): client.get_object(Bucket=bucket, Key=entry["Key"])[
            "Body"
        ].read()
        for entry in listed
    }


def counts_of(address: str) -> dict[str, int]:
    """Rows of each table, asked of PostgreSQL itself."""
    with psycopg.connect(address) as server:
        names = server.execute(
            "SELECT tablename FROM pg_tables WHERE schemaname = 'public'"
        ).fetchall()
        counts = {
            name: server.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # type: ignore[index, call-overload]
            for (name,) in names
        }
    return {name: count for name, count in counts.items() if count and name != "django_migrations"}


def test_every_row_and_file_arrives_and_is_counted(
    embedded: Path, database: str, bucket_url: str
) -> None:
    before = files_of(embedded)
    moved = manage("move", "--to", database, "--files", bucket_url, HOLDFAST_VAR=str(embedded))
    assert moved.returncode == 0, moved.stderr

    # the table that is printed, against what PostgreSQL and the store themselves say
    told = {name: int(count) for name, count, _ in LINE.findall(moved.stdout)}
    files = told.pop("files")
    assert told == counts_of(database)
    objects = objects_of(bucket_url)
    media = {
        name.removeprefix("media/"): data
        for name, data in before.items()
        if name.startswith("media/")
    }
    assert objects == media
    assert len(objects) == files > 20
    assert "are there and the same as here." in moved.stdout

    # the source is as it was
    after = files_of(embedded)
    assert {n: d for n, d in after.items() if not n.startswith("holdfast.sqlite3")} == {
        n: d for n, d in before.items() if not n.startswith("holdfast.sqlite3")
    }

    # and the moved one lives: files whole, numbers go on, a repeat changes nothing
    there = {"DATABASE_URL": database, "HOLDFAST_FILES_URL": bucket_url,
             "HOLDFAST_VAR": str(embedded.parent / "there")}  # fmt: skip
    checked = manage("check_files", **there)
    assert checked.returncode == 0, checked.stdout
    with psycopg.connect(database) as server:
        server.execute("DELETE FROM orders_filelook")  # that look is no row of the source
    again = manage("move", "--to", database, "--files", bucket_url, HOLDFAST_VAR=str(embedded))
    assert again.returncode == 0, again.stderr
    assert "are there and the same already." in again.stdout
    assert LINE.findall(again.stdout) == LINE.findall(moved.stdout)
    code = "from orders.models import Person as P; print(P.objects.create(email='n@x.example').pk)"
    made = manage("shell", "--no-imports", "-c", code, **there)
    assert int(made.stdout) > 3, made.stderr
    other = manage("move", "--to", database, "--files", bucket_url, HOLDFAST_VAR=str(embedded))
    assert other.returncode == 1
    assert "already holds drawings or orders that are not these" in other.stderr


def test_a_move_that_was_broken_off_goes_on(embedded: Path, database: str, bucket_url: str) -> None:
    """Broken off after some files, and with a row that PostgreSQL does not take."""
    copy = embedded.parent / "copy"
    shutil.copytree(embedded, copy)
    spoil = (
        "from orders.models import Design as D;"
        "D.objects.filter(pk=D.objects.first().pk).update(title='t' * 300)"
    )
    assert manage("shell", "--no-imports", "-c", spoil, HOLDFAST_VAR=str(copy)).returncode == 0
    broken = manage("move", "--to", database, "--files", bucket_url, HOLDFAST_VAR=str(copy))
    assert broken.returncode == 1
    assert "The rows of orders_design do not fit" in broken.stderr
    assert "Traceback" not in broken.stderr
    assert "orders_person" not in counts_of(database)
    arrived = objects_of(bucket_url)

    shutil.rmtree(copy)
    moved = manage("move", "--to", database, "--files", bucket_url, HOLDFAST_VAR=str(embedded))
    assert moved.returncode == 0, moved.stderr
    assert objects_of(bucket_url) == arrived


def test_a_server_fetches_from_a_folder_and_files_land_in_its_own(
    embedded: Path, database: str, tmp_path: Path
) -> None:
    """What the documented commands for containers do, on one machine."""
    coming, data = tmp_path / "coming", tmp_path / "data"
    shutil.copytree(embedded, coming)
    here = {"DATABASE_URL": database, "HOLDFAST_VAR": str(data)}
    moved = manage("move", "--from", str(coming), **here)
    assert moved.returncode == 0, moved.stderr
    assert files_of(data / "media") == files_of(embedded / "media")
    assert manage("check_files", **here).returncode == 0


def test_what_cannot_be_moved_is_told_in_a_sentence(
    embedded: Path, database: str, bucket_url: str, tmp_path: Path
) -> None:
    def told(*words: str, **variables: str) -> str:
        done = manage("move", *words, **{"HOLDFAST_VAR": str(embedded), **variables})
        assert done.returncode == 1
        assert "Traceback" not in done.stderr
        return done.stderr.strip()

    assert told() == ("CommandError: Say --to and the new database, or --from and a folder.")
    assert "is no var folder of run.py" in told("--from", str(tmp_path))
    assert "DATABASE_URL must look like" in told("--to", "mysql://x/y")
    assert "--files must look like s3://" in told("--to", database, "--files", "s3://x")
    assert "could not be made ready" in told("--to", "postgres://h@127.0.0.1:1/x")
    objects = bucket_url
    client = boto3.client(
        "s3", endpoint_url="http://" + objects.split("@")[1].split("/")[0],
        region_name="us-east-1", aws_access_key_id=KEY, aws_secret_access_key=SECRET,
    )  # fmt: skip
    bucket = objects.split("@")[1].split("/")[1].split("?")[0]
    client.put_object(Bucket=bucket, Key="media/uploads/foreign", Body=b"x")
    assert "already holds 1 files that are not of here" in told(
        "--to", database, "--files", bucket_url
    )
    with (embedded / "running").open("a+") as seat:
        fcntl.flock(seat, fcntl.LOCK_EX)
        assert "Stop it first with Ctrl-C" in told("--to", database)
