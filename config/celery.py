"""The worker: started by `celery -A config worker`, tasks found in orders/tasks.py."""

import os

from celery import Celery
from celery.signals import before_task_publish, task_postrun, task_prerun

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("holdfast")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["orders"])

from config import logs  # noqa: E402 (after the settings are named)

before_task_publish.connect(logs.send_along)
task_prerun.connect(logs.take_up)
task_postrun.connect(logs.lay_down)
