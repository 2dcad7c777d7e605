"""The worker: started by `celery -A config worker`, tasks found in orders/tasks.py."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("holdfast")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["orders"])
