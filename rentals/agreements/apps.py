from django.apps import AppConfig


class AgreementsConfig(AppConfig):
    name = "rentals.agreements"
    label = "agreements"
    verbose_name = "Agreements"

    def ready(self) -> None:
        """Let the manager change the words of its mails and letters."""
        from rentals.agreements import letter_words  # noqa: F401
