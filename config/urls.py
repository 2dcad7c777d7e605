"""All addresses; the pages themselves are listed in orders/urls.py."""

from django.urls import include, path

urlpatterns = [
    path("", include("orders.urls")),
]

handler500 = "config.troubles.server_error"  # a full disk and a database away are told as such
