from django.apps import AppConfig


class FamiliesConfig(AppConfig):
    name = "rentals.families"
    label = "families"
    verbose_name = "Families"
