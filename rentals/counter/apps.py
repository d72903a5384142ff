from django.apps import AppConfig


class CounterConfig(AppConfig):
    name = "rentals.counter"
    label = "counter"
    verbose_name = "Counter"

    def ready(self) -> None:
        """Tell the first page how much waits in the rooms below."""
        from rentals.counter.today import count_what_waits

        count_what_waits()
