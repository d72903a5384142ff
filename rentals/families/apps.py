from django.apps import AppConfig


class FamiliesConfig(AppConfig):
    name = "rentals.families"
    label = "families"
    verbose_name = "Families"

    def ready(self) -> None:
        """Hear what the mail provider tells."""
        from rentals.families import tracking

        tracking.listen()
