"""A living installation, a store of buckets and a PostgreSQL, each shared by the tests of it."""

import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import boto3
import pytest
from moto.server import ThreadedMotoServer

from config import environment
from tests import services
from tests.service.living import Living

KEY, SECRET = "harbour-key", "tide/and+table="


@pytest.fixture(scope="module")
def var(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("var")


@pytest.fixture(scope="module")
def living(var: Path) -> Iterator[Living]:
    started = Living(var)
    try:
        started.wait_until_it_runs()
        yield started
    finally:
        started.stop()


@pytest.fixture(scope="session")
def bucket_server() -> Iterator[str]:
    """An S3-compatible store, moto's, on a free port of this machine: "host:port"."""
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    try:
        yield f"{host}:{port}"
    finally:
        server.stop()


@pytest.fixture
def bucket_url(bucket_server: str) -> str:
    """The address of a new, empty bucket, as HOLDFAST_FILES_URL has it."""
    name = f"stencils-{secrets.token_hex(4)}"
    client = boto3.client(
        "s3",
        endpoint_url=f"http://{bucket_server}",
        region_name="us-east-1",
        aws_access_key_id=KEY,
        aws_secret_access_key=SECRET,
    )
    client.create_bucket(Bucket=name)
    return f"s3://{KEY}:tide%2Fand%2Btable%3D@{bucket_server}/{name}?tls=no"


@pytest.fixture
def bucket(settings: Any, bucket_url: str) -> str:
    """Keep the files of one test in a bucket; its address."""
    settings.STORAGES = {**settings.STORAGES, "default": environment.files(bucket_url)}
    return bucket_url


@pytest.fixture(params=["folder", "bucket"])
def place(request: pytest.FixtureRequest) -> str:
    """Keep the files of a test in a folder, and in another run of it in a bucket."""
    request.getfixturevalue("media" if request.param == "folder" else "bucket")
    return str(request.param)


@pytest.fixture(scope="module")
def postgresql() -> Iterator[str]:
    """A real PostgreSQL, empty, of the tests' own."""
    with services.running_postgresql() as address:
        yield address
