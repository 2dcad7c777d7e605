"""Addresses of the artist's side. What is private hangs on an unguessable token or a sign-in."""

from django.urls import path

from . import (
    sign_in,
    views_basket,
    views_compare,
    views_drawing,
    views_orders,
    views_pages,
    views_pens,
    views_pictures,
    views_straighten,
    views_upload,
)

urlpatterns = [
    path("", views_upload.landing, name="landing"),
    path("upload/", views_upload.upload, name="upload"),
    path("sent/", views_upload.sent, name="sent"),
    path("sent/state/", views_upload.sent_state, name="sent-state"),
    path("mine/", views_pages.mine, name="mine"),
    path("prices/", views_pages.prices, name="prices"),
    path("guide/", views_pages.guide, name="guide"),
    path("sheets/", views_pages.sheets, name="sheets"),
    path("sheets/<str:code>-<str:paper>.pdf", views_pages.sheet_print, name="sheet-print"),
    path("healthz", views_pages.healthz, name="healthz"),
    # one drawing
    path("drawing/<str:token>/", views_drawing.drawing, name="drawing"),
    path("drawing/<str:token>/state/", views_drawing.drawing_state, name="drawing-state"),
    path("drawing/<str:token>/mend/", views_upload.mend, name="drawing-mend"),
    path("drawing/<str:token>/mode/", views_drawing.mode, name="drawing-mode"),
    path("drawing/<str:token>/size/", views_drawing.size, name="drawing-size"),
    path("drawing/<str:token>/rename/", views_drawing.rename, name="drawing-rename"),
    path("drawing/<str:token>/remove/", views_drawing.remove, name="drawing-remove"),
    path("drawing/<str:token>/answer/", views_drawing.answer, name="drawing-answer"),
    path("drawing/<str:token>/straighten/", views_straighten.straighten, name="straighten"),
    path("drawing/<str:token>/straighten/save/", views_straighten.save, name="straighten-save"),
    path(
        "drawing/<str:token>/straighten/measure.json",
        views_straighten.measure,
        name="straighten-measure",
    ),
    path(
        "drawing/<str:token>/straighten/paper.png", views_straighten.paper, name="straighten-paper"
    ),
    path(
        "drawing/<str:token>/straighten/source.jpg",
        views_straighten.source,
        name="straighten-source",
    ),
    path("drawing/<str:token>/compare/", views_compare.compare, name="compare"),
    path(
        "drawing/<str:token>/compare/difference.png",
        views_compare.difference,
        name="compare-difference",
    ),
    path("drawing/<str:token>/back/", views_compare.back, name="drawing-back"),
    # the pens
    path("drawing/<str:token>/pens/", views_pens.pens, name="drawing-pens"),
    path("drawing/<str:token>/pens/film.svg", views_pens.film, name="pens-film"),
    path("drawing/<str:token>/pens/state/", views_pens.state, name="pens-state"),
    path("drawing/<str:token>/pens/strokes/", views_pens.strokes, name="pens-strokes"),
    path("drawing/<str:token>/pens/propose/", views_pens.propose, name="pens-propose"),
    path("drawing/<str:token>/pens/bridges/", views_pens.bridges, name="pens-bridges"),
    path("drawing/<str:token>/pens/save/", views_pens.save, name="pens-save"),
    path("drawing/<str:token>/pens/discard/", views_pens.discard, name="pens-discard"),
    path(
        "drawing/<str:token>/v<int:number>/original",
        views_pictures.original,
        name="drawing-original",
    ),
    path(
        "drawing/<str:token>/v<int:number>/<str:name>",
        views_pictures.of_version,
        name="drawing-picture",
    ),
    # ordering
    path("basket/", views_basket.basket, name="basket"),
    path("basket/add/", views_basket.add, name="basket-add"),
    path("basket/change/", views_basket.change, name="basket-change"),
    path("basket/remove/", views_basket.remove, name="basket-remove"),
    path("basket/place/", views_basket.place, name="basket-place"),
    path("quote/<str:token>/", views_orders.quote, name="quote"),
    path("quote/<str:token>/accept/", views_orders.quote_accept, name="quote-accept"),
    path("quote/<str:token>/renew/", views_orders.quote_renew, name="quote-renew"),
    path("order/<str:token>/", views_orders.order, name="order"),
    path("order/<str:token>/state/", views_orders.order_state, name="order-state"),
    path("order/<str:token>/slip.pdf", views_orders.slip, name="order-slip"),
    path("order/<str:token>/job/<str:code>/film.png", views_pictures.of_job, name="order-picture"),
    path(
        "order/<str:token>/job/<str:code>/photo/<int:photo_id>.jpg",
        views_pictures.photo,
        name="order-photo",
    ),
    path(
        "order/<str:token>/job/<str:code>/proposal/<int:number>/film.png",
        views_pictures.of_proposal,
        name="proposal-picture",
    ),
    path(
        "order/<str:token>/job/<str:code>/proposal/<int:number>/accept/",
        views_orders.proposal_accept,
        name="proposal-accept",
    ),
    path(
        "order/<str:token>/job/<str:code>/proposal/<int:number>/refuse/",
        views_orders.proposal_refuse,
        name="proposal-refuse",
    ),
    path("order/<str:token>/job/<str:code>/cancel/", views_orders.job_cancel, name="job-cancel"),
    # what the slip in the parcel opens
    path("parcel/<str:token>/", views_orders.parcel, name="parcel"),
    path(
        "parcel/<str:token>/job/<str:code>/film.png",
        views_pictures.of_parcel,
        name="parcel-picture",
    ),
    # signing in; the second and third names are allauth's own
    path("sign-in/", sign_in.ask, name="sign-in"),
    path("sign-in/", sign_in.ask, name="account_login"),
    path("sign-in/", sign_in.ask, name="account_request_login_code"),
    path("sign-in/code/", sign_in.confirm, name="sign-in-code"),
    path("sign-in/code/", sign_in.confirm, name="account_confirm_login_code"),
    path("sign-out/", sign_in.sign_out, name="sign-out"),
]
