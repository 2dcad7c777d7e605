from django.apps import AppConfig


class OrdersConfig(AppConfig):
    """Artists, drawings, orders, jobs and sheet runs."""

    name = "orders"
    default_auto_field = "django.db.models.BigAutoField"
