from django.apps import AppConfig


class AgreementsConfig(AppConfig):
    name = "rentals.agreements"
    label = "agreements"
    verbose_name = "Agreements"
