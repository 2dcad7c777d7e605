"""The settings under test: the real ones on a throw-away folder, with plain static files.

The manifest of hashed static files is made by set-up and is wanted by service, not by tests.
"""

import atexit
import os
import shutil
import tempfile

if "HOLDFAST_VAR" not in os.environ:
    os.environ["HOLDFAST_VAR"] = tempfile.mkdtemp(prefix="holdfast-tests-")
    atexit.register(shutil.rmtree, os.environ["HOLDFAST_VAR"], ignore_errors=True)

# One of several test processes beside each other has a folder and a store of Redis of its own;
# what it starts itself is none of them.
if worker := os.environ.pop("PYTEST_XDIST_WORKER", ""):
    os.environ["HOLDFAST_VAR"] = os.path.join(os.environ["HOLDFAST_VAR"], worker)
    if os.environ.get("REDIS_URL", "").endswith("/0"):
        # the odd ones are those of installations that tests start
        store = 2 * int(worker.removeprefix("gw"))
        os.environ["REDIS_URL"] = f"{os.environ['REDIS_URL'].removesuffix('/0')}/{store}"

from config.settings import *  # noqa: F403
from config.settings import DATABASES, MIDDLEWARE, VAR

STORAGES = {
    "default": {"BACKEND": "orders.file_store.FolderStore"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
MIDDLEWARE = [name for name in MIDDLEWARE if not name.startswith("whitenoise.")]
CODES_SENT_BESIDE = False  # a test looks for the mail at once
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # a file, as in service: a database in memory knows neither WAL nor a second process
    DATABASES["default"]["TEST"] = {"NAME": str(VAR / "test.sqlite3")}
