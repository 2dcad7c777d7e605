"""Is everything well? What works, what does not and what to do, in plain words."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from orders import watch
from orders.access import workshop_only


@require_GET
@workshop_only
def well(request: HttpRequest) -> HttpResponse:
    """Ask every question anew each time the page is opened."""
    asked = watch.look_at_all()
    order = {watch.BAD: 0, watch.LOOK: 1, watch.GOOD: 2}
    asked.sort(key=lambda one: order[one.look.state])
    wanting = sum(one.look.state != watch.GOOD for one in asked)
    context = {"asked": asked, "worst": watch.worst(asked), "wanting": wanting}
    return render(request, "workshop/well.html", context)
