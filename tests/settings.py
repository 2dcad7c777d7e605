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

from config.settings import *  # noqa: F403
from config.settings import DATABASES, MIDDLEWARE, VAR

STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
MIDDLEWARE = [name for name in MIDDLEWARE if not name.startswith("whitenoise.")]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # a file, as in service: a database in memory knows neither WAL nor a second process
    DATABASES["default"]["TEST"] = {"NAME": str(VAR / "test.sqlite3")}
