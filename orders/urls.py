"""All pages: the artist's side at the root, the workshop's under /workshop/."""

from django.urls import include, path

from orders.demo import views as demo

urlpatterns = [
    path("", include("orders.artist.urls")),
    path("workshop/", include("orders.workshop.urls")),
    path("demo/letters/", demo.mails, name="demo-letters"),
]
