"""The door for a WSGI server such as gunicorn."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

application = get_wsgi_application()

from orders.loading import load_checks  # noqa: E402 (the applications must be there first)

# The first pages of a start come before the pens, which somebody needs minutes later.
load_checks(after_seconds=15.0)
