"""All addresses; the pages themselves are listed in orders/urls.py."""

from django.urls import include, path

urlpatterns = [
    path("", include("orders.urls")),
]
