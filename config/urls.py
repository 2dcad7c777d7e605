"""All addresses; the pages themselves are listed in orders/urls.py."""

from django.urls import include, path

from config.health import health

urlpatterns = [
    path("health/", health, name="health"),
    path("", include("orders.urls")),
]
