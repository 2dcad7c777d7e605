"""The workshop itself: its films, its name and address."""

from __future__ import annotations

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.text import slugify
from django.views.decorators.http import require_GET, require_http_methods

from orders import stock
from orders.access import workshop_only
from orders.models import Film, Job, Workshop

from .forms import FilmForm, WorkshopForm


@require_GET
@workshop_only
def films(request: HttpRequest) -> HttpResponse:
    """List the films with the pieces that wait for each."""
    waiting = Q(job__status__in=(Job.Status.QUEUED, Job.Status.CUTTING))
    shown = Film.objects.annotate(jobs_waiting=Count("job", filter=waiting))
    films = list(shown)
    for row in films:
        row.warning = stock.warning_for(row)  # type: ignore[attr-defined]
    return render(request, "workshop/films.html", {"films": films})


@require_http_methods(["GET", "POST"])
@workshop_only
def film(request: HttpRequest, code: str) -> HttpResponse:
    """Show and change one film."""
    row = get_object_or_404(Film, code=code)
    form = FilmForm(request.POST or None, instance=row)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, f"{row.name} is saved. New sheets and cut files use it.")
        return redirect("workshop-films")
    # the form writes what was typed into its row; the title keeps the stored name
    name = Film.objects.values_list("name", flat=True).get(pk=row.pk)
    context = {"form": form, "code": code, "name": name}
    return render(request, "workshop/film.html", context)


@require_http_methods(["GET", "POST"])
@workshop_only
def film_new(request: HttpRequest) -> HttpResponse:
    """Add a film."""
    form = FilmForm(request.POST or None, initial={"kerf_mm": 0.15, "thickness_mm": "0.1905"})
    if request.method == "POST" and form.is_valid():
        row = form.save(commit=False)
        row.code = _free_code(row.name)
        row.save()
        messages.success(request, f"{row.name} is added. Next: give it a price, under Prices.")
        return redirect("workshop-films")
    return render(request, "workshop/film.html", {"form": form, "code": "", "name": "New film"})


@require_http_methods(["GET", "POST"])
@workshop_only
def settings(request: HttpRequest) -> HttpResponse:
    """Show and change the workshop's name, email and address."""
    row = Workshop.current()
    form = WorkshopForm(request.POST or None, instance=row)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, "Saved. Mails and slips from now on carry it.")
        return redirect("workshop-settings")
    return render(request, "workshop/settings.html", {"form": form})


def _free_code(name: str) -> str:
    """Return a code for a new film from its name, not used before."""
    base = slugify(name)[:30] or "film"
    code, number = base, 2
    while code == "new" or Film.objects.filter(code=code).exists():  # film/new/ is a page
        code, number = f"{base}-{number}", number + 1
    return code
