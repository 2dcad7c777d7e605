"""Name the app that holds price sheets and works out quotes."""

from django.apps import AppConfig


class PricingConfig(AppConfig):
    """Price sheets (versioned rows) and quotes (pure arithmetic)."""

    name = "pricing"
    default_auto_field = "django.db.models.BigAutoField"
