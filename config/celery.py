"""The worker: started by `celery -A config worker`, tasks found in orders/tasks.py."""

import os

from celery import Celery
from celery.signals import before_task_publish, task_postrun, task_prerun, worker_process_init

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

BEHIND_THE_PAGES = 10  # niceness: who opens a page need not wait for a drawing's check

app = Celery("holdfast")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["orders"])

from config import logs  # noqa: E402 (after the settings are named)

before_task_publish.connect(logs.send_along)
task_prerun.connect(logs.take_up)
task_postrun.connect(logs.lay_down)


@worker_process_init.connect
def step_back(**_: object) -> None:
    """Let pages go before checks where both want the same processor."""
    os.nice(BEHIND_THE_PAGES)
