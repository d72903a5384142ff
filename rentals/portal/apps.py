from django.apps import AppConfig


class PortalConfig(AppConfig):
    name = "rentals.portal"
    label = "portal"
    verbose_name = "Doors from outside"
