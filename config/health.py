"""One plain address that says whether the site can reach its database."""

from django.db import connection
from django.http import HttpRequest, HttpResponse


def health(request: HttpRequest) -> HttpResponse:
    """Answer "well" if a query goes through; a broken database is an error, so a 500."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return HttpResponse("well\n", content_type="text/plain")
