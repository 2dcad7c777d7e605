"""The only way a view gets an object.

Strangers get 404, so that nothing is revealed; a signed-in person in the wrong role gets 403;
nobody signed in is sent to the sign-in page. A browser session owns its drawings by a random
visitor key; an order's link in the mails opens that order and its drawings on any device.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import wraps
from typing import Any

from django.conf import settings
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils.cache import add_never_cache_headers

from . import second_step
from .codes import new_token
from .models import (
    Design,
    Event,
    Job,
    Message,
    Order,
    OrderLine,
    Parcel,
    Person,
    Photo,
    Piece,
    Quote,
    SheetRun,
    ShelfOffer,
    Version,
)
from .shelf_sales import live, live_sizes
from .workflow import Actor

VISITOR = "visitor"
OPENED = "opened_orders"


def person_of(request: HttpRequest) -> Person | None:
    """Return who is signed in, or None."""
    user = getattr(request, "user", None)  # none yet where a host is refused before the sign-in
    return user if isinstance(user, Person) else None


def visitor_key(request: HttpRequest, *, make: bool = False) -> str:
    """Return the random key by which this browser session owns drawings ("" when it has none)."""
    if make and not request.session.get(VISITOR):
        request.session[VISITOR] = new_token()
    return str(request.session.get(VISITOR, ""))


def artist_actor(request: HttpRequest, order: Order | None = None) -> Actor:
    """Return the actor for an artist's page; by a mailed link, the order's artist acts."""
    person = person_of(request) or (order.artist if order else None)
    return Actor(Event.Role.ARTIST, person)


def workshop_actor(request: HttpRequest) -> Actor:
    """Return the actor for a page of the workshop (the view is behind ``workshop_only``)."""
    person = person_of(request)
    if person is None or not person.is_workshop:
        raise PermissionDenied
    return Actor(Event.Role.WORKSHOP, person)


def workshop_person(request: HttpRequest) -> Person:
    """Return who of the workshop is signed in."""
    person = workshop_actor(request).person
    if person is None:
        raise PermissionDenied
    return person


def workshop_only(view: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
    """Guard a page of the workshop: sign-in for strangers, 403 for artists.

    Where the second step is asked of everybody, whoever has none yet sets it up first.
    """

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        person = person_of(request)
        is_asked = settings.SECOND_STEP == "required" and person and person.is_workshop
        if is_asked and not second_step.is_set(workshop_person(request)):
            return redirect("workshop-my-sign-in")
        return view(request, *args, **kwargs)

    return workshop_to_set_up(guarded)


def workshop_to_set_up(view: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
    """Guard a page of the workshop that is open before the second step is set up."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        person = person_of(request)
        if person is None:
            # a press whose session ran out cannot be repeated by the way back from the sign-in
            is_page = request.method in ("GET", "HEAD")
            back = request.get_full_path() if is_page else reverse("workshop-today")
            return redirect_to_login(back, reverse("workshop-sign-in"))
        if not person.is_workshop:
            raise PermissionDenied
        response = view(request, *args, **kwargs)
        if not response.has_header("Cache-Control"):
            # names and addresses: after the sign-out the back button shows none of it
            add_never_cache_headers(response)
        return response

    return guarded


def own_designs(request: HttpRequest) -> QuerySet[Design]:
    """Return the drawings of this browser session and of the person signed in."""
    return Design.objects.filter(mine(request, "owner"), removed_at=None)


def removed_designs(request: HttpRequest) -> QuerySet[Design]:
    """Return one's own drawings that were taken away and are not erased yet."""
    own = Design.objects.filter(mine(request, "owner"), erased_at=None)
    return own.exclude(removed_at=None)


def removed_design(request: HttpRequest, token: str) -> Design:
    """Return one of one's own drawings that were taken away, to bring it back."""
    return get_object_or_404(removed_designs(request), token=token)


def own_design(request: HttpRequest, token: str) -> Design:
    """Return a drawing of one's own: its name, note, copies. An opened order's link is no key."""
    return get_object_or_404(own_designs(request), token=token)


def own_order(request: HttpRequest, code: str) -> Order:
    """Return a placed order of one's own, by its code."""
    return get_object_or_404(own_orders(request), code=code)


def whole_designs(request: HttpRequest) -> QuerySet[Design]:
    """Return every drawing that is this reader's alone, for the download and for erasing.

    Signed in: the person's own and what this browser put in for nobody yet; never what the same
    browser put in for somebody else. Not signed in: what this browser put in.
    """
    return Design.objects.filter(_alone(request, "owner"), erased_at=None)


def whole_orders(request: HttpRequest) -> QuerySet[Order]:
    """Return every order that is this reader's alone, in the same way; no baskets."""
    return Order.objects.filter(_alone(request, "artist"), placed_at__isnull=False)


def own_orders(request: HttpRequest) -> QuerySet[Order]:
    """Return the placed orders of the person signed in, or of this browser session."""
    return Order.objects.filter(mine(request, "artist"), placed_at__isnull=False)


def jobs_of_design(request: HttpRequest, design: Design) -> QuerySet[Job]:
    """Return a drawing's jobs in orders that the reader may see.

    Whoever was given the link of one order sees its drawings, but not their owner's other orders.
    """
    mine = Q(order__in=own_orders(request)) | Q(order__in=_opened_orders(request))
    return Job.objects.filter(mine, version__design=design)


def design_for(request: HttpRequest, token: str) -> Design:
    """Return a drawing for its artist (session, sign-in or opened order) or the workshop."""
    design = get_object_or_404(Design, token=token, removed_at=None)
    if _is_workshop(request) or own_designs(request).filter(pk=design.pk).exists():
        return design
    opened = _opened_orders(request)
    # what was ordered from the shelf is another artist's: its order opens none of its pages
    own = opened.filter(artist_id=design.owner_id)
    jobs = Job.objects.filter(order__in=own, version__design=design, shelf_sale=None)
    lines = OrderLine.objects.filter(order__in=own, version__design=design, shelf_offer=None)
    if jobs.exists() or lines.exists():
        return design
    raise Http404


def shelf_offer(code: str) -> ShelfOffer:
    """Return an offer that stands on the shelf, for anybody."""
    return get_object_or_404(live().select_related("design", "artist"), code=code)


def shelf_version(request: HttpRequest, code: str, version_id: int) -> Version:
    """Return a version of an offer for its pictures: on the shelf for anybody; ended, for whoever
    ordered it, its artist and the workshop."""
    offer = get_object_or_404(ShelfOffer, code=code)
    version = get_object_or_404(Version.objects.defer("report"), pk=version_id)
    if (
        live().filter(pk=offer.pk).exists()
        and live_sizes().filter(offer=offer, version=version).exists()
    ):
        return version
    if _is_workshop(request) or offer.artist == person_of(request):
        if version.shelf_sizes.filter(offer=offer).exists():
            return version
        raise Http404
    own = Order.objects.filter(mine(request, "artist")) | _opened_orders(request)
    lines = OrderLine.objects.filter(order__in=own, shelf_offer=offer, version=version)
    if lines.exists():
        return version
    raise Http404


def own_offers(request: HttpRequest) -> QuerySet[ShelfOffer]:
    """Return the offers of the person signed in, ended ones too."""
    person = person_of(request)
    rows = ShelfOffer.objects.select_related("design")
    return rows.filter(artist=person) if person is not None else rows.none()


def own_offer(request: HttpRequest, code: str) -> ShelfOffer:
    """Return an offer of the person signed in."""
    return get_object_or_404(own_offers(request), code=code)


def workshop_offer(request: HttpRequest, code: str) -> ShelfOffer:
    """Return an offer by its code, for the workshop."""
    workshop_actor(request)
    return get_object_or_404(ShelfOffer.objects.select_related("design", "artist"), code=code)


def version_for(request: HttpRequest, token: str, number: int) -> Version:
    """Return a version of a drawing that the reader may see."""
    return version_of(design_for(request, token), number)


def version_of(design: Design, number: int, *, bare: bool = False) -> Version:
    """Return a version of a drawing got from here; bare: without its report, which is large."""
    versions = design.versions.defer("report") if bare else design.versions
    return get_object_or_404(versions, number=number)


def basket_of(request: HttpRequest, *, make: bool = False) -> Order | None:
    """Return the basket of the person or browser session; ``make`` one if there is none."""
    basket = Order.objects.filter(mine(request, "artist"), placed_at=None).first()
    if basket is None and make:
        person = person_of(request)
        basket = Order.objects.create(artist=person, visitor=visitor_key(request, make=True))
    return basket


def order_by_link(request: HttpRequest, token: str) -> Order:
    """Return an order by the link in its mails, and remember that this browser opened it."""
    order = get_object_or_404(Order, link_token=token, placed_at__isnull=False)
    opened = request.session.get(OPENED, [])
    if token not in opened:
        request.session[OPENED] = [*opened[-19:], token]
    return order


def parcel_order(token: str) -> Order:
    """Return an order by the code that travels in the parcel (status and pictures only)."""
    return get_object_or_404(Order, parcel_token=token, placed_at__isnull=False)


def quote_for(token: str) -> Quote:
    """Return a quote by its unguessable address."""
    return get_object_or_404(Quote.objects.select_related("order"), token=token)


def order_job(order: Order, code: str) -> Job:
    """Return a job of this very order, for the artist's pages."""
    return get_object_or_404(order.jobs, code=code)


def talking_artist(request: HttpRequest, order: Order) -> Actor:
    """Return who writes on an artist's order page; the workshop has pages of its own for that."""
    if _is_workshop(request):
        raise PermissionDenied
    return artist_actor(request, order)


def may_talk(request: HttpRequest) -> bool:
    """Whether this reader of an artist's order page is that side, and not the workshop looking."""
    return not _is_workshop(request)


def version_of_message(message: Message) -> Version:
    """Return the version that a message's pin lies on."""
    if message.version is None or not message.has_pin:
        raise Http404
    return message.version


def order_message(order: Order, message_id: int) -> Message:
    """Return a message of this very order that was not taken back."""
    rows = order.messages.select_related("version", "mail", "order", "job")
    return get_object_or_404(rows, pk=message_id, withdrawn_at=None)


def workshop_order(request: HttpRequest, code: str) -> Order:
    """Return an order by its code, for the workshop."""
    workshop_actor(request)
    return get_object_or_404(Order, code=code, placed_at__isnull=False)


def workshop_job(request: HttpRequest, code: str) -> Job:
    """Return a job by its code, for the workshop."""
    workshop_actor(request)
    related = ("order__artist", "version__design", "version__upload", "film", "shelf_sale__offer")
    return get_object_or_404(Job.objects.select_related(*related), code=code)


def workshop_jobs(request: HttpRequest, codes: Sequence[str]) -> QuerySet[Job]:
    """Return jobs by their codes, for the workshop; codes that nothing bears are left out."""
    workshop_actor(request)
    jobs = Job.objects.select_related("order__artist", "version__design", "film")
    return jobs.filter(code__in=codes)


def workshop_code(request: HttpRequest, code: str) -> Job | Order | SheetRun | None:
    """Return what bears a code that was scanned or typed, for the workshop; None where nothing."""
    workshop_actor(request)
    job = Job.objects.select_related("order").filter(code=code).first()
    if job is not None:
        return job
    order = Order.objects.filter(code=code, placed_at__isnull=False).first()
    return order if order is not None else SheetRun.objects.filter(code=code).first()


def workshop_parcel(request: HttpRequest, order: Order, number: int) -> Parcel:
    """Return a parcel of this very order, for the workshop."""
    workshop_actor(request)
    return get_object_or_404(order.parcels, pk=number)


def workshop_run(request: HttpRequest, code: str) -> SheetRun:
    """Return a sheet run by its code, for the workshop."""
    workshop_actor(request)
    return get_object_or_404(SheetRun.objects.select_related("film", "offcut"), code=code)


def workshop_piece(request: HttpRequest, run: SheetRun, piece_id: int) -> Piece:
    """Return a piece of this very run, for the workshop."""
    workshop_actor(request)
    return get_object_or_404(run.pieces, pk=piece_id)


def photo_of(job: Job, photo_id: int) -> Photo:
    """Return a photo of this very job."""
    return get_object_or_404(job.photos, pk=photo_id)


def adopt(request: HttpRequest, person: Person) -> None:
    """Hand what this browser session owns to the person who signed in.

    Their mail address is proved now, so other browsers that only typed it lose their hold of what
    they handed over.
    """
    key = visitor_key(request)
    for rows, owner in ((Design.objects, "owner"), (Order.objects, "artist")):
        if key:
            rows.filter(visitor=key, **{owner: None}).update(**{owner: person})
        rows.filter(**{owner: person}).exclude(visitor__in=("", key)).update(visitor="")


def adopt_order(request: HttpRequest, order: Order, artist: Person) -> None:
    """Hand an order and its drawings, nothing else, to whose address was typed at checkout."""
    key = visitor_key(request)
    if person_of(request) is not None:
        adopt(request, artist)
    elif key:
        ordered = Design.objects.filter(versions__lines__order=order)
        mine_alone = Design.objects.filter(visitor=key, owner=None, pk__in=ordered.values("pk"))
        mine_alone.update(owner=artist)


def _opened_orders(request: HttpRequest) -> QuerySet[Order]:
    return Order.objects.filter(link_token__in=request.session.get(OPENED, []))


def _is_workshop(request: HttpRequest) -> bool:
    person = person_of(request)
    return person is not None and person.is_workshop


def mine(request: HttpRequest, owner_field: str) -> Q:
    """Return what makes a row this reader's: made by the person or in this browser session."""
    person, key = person_of(request), visitor_key(request)
    rows = Q(pk__in=[])
    if key:
        rows |= Q(visitor=key)
    if person is not None:
        rows |= Q(**{owner_field: person})
    return rows


def _alone(request: HttpRequest, owner_field: str) -> Q:
    person, key = person_of(request), visitor_key(request)
    alone = Q(pk__in=[])
    if key:
        alone |= Q(visitor=key) if person is None else Q(visitor=key, **{owner_field: None})
    if person is not None:
        alone |= Q(**{owner_field: person})
    return alone
