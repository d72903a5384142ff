"""The Celery application. What must happen stands in PostgreSQL first; Celery only carries the news."""

import os
from typing import Any

from celery import Celery, Task
from celery.signals import setup_logging

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "rentals.settings")


class OfficeTask(Task):  # type: ignore[misc]
    """A task whose changes say in the history which job made them."""

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        """Run under a context of its own; operations inside may add who acted."""
        import pghistory

        with pghistory.context(job=self.name):
            return super().__call__(*args, **kwargs)


@setup_logging.connect  # type: ignore[untyped-decorator]
def log_as_the_web_server_does(**_: Any) -> None:
    """Keep Celery from replacing the settings' logging: its own would print what exceptions quote."""
    import logging.config

    from django.conf import settings

    logging.config.dictConfig(settings.LOGGING)


app = Celery("rentals", task_cls=OfficeTask)
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
