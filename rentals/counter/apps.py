from django.apps import AppConfig


class CounterConfig(AppConfig):
    name = "rentals.counter"
    label = "counter"
    verbose_name = "Counter"

    def ready(self) -> None:
        """Tell the first page how much waits, and the counts how a found instrument comes into the books again."""
        from rentals.counter import cleaning_words  # noqa: F401 - a letter whose words may be changed
        from rentals.counter.bench import estimate_words  # noqa: F401 - another
        from rentals.counter.fleet.counted import join_counts_and_books
        from rentals.counter.today import count_what_waits

        count_what_waits()
        join_counts_and_books()
