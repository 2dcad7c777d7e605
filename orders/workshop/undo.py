"""What undo would take back on a page of the workshop, in words."""

from __future__ import annotations

from orders import workflow
from orders.models import Event, Job

from .shown import HAPPENED


def undo_words(job: Job) -> str:
    """Return what undo would take back, in words, or nothing."""
    event = workflow.last_undoable(job)
    if event is None or event.role != Event.Role.WORKSHOP or workflow.came_with_a_sheet(event):
        return ""
    return HAPPENED.get(event.action, event.action)
