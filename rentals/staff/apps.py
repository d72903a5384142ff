from django.apps import AppConfig
from django.db.models.signals import post_migrate


class StaffConfig(AppConfig):
    name = "rentals.staff"
    label = "staff"
    verbose_name = "People who work here"

    def ready(self) -> None:
        """Once the tables are there: guard the history of changes, and make the person in whose name jobs act."""
        from rentals.staff.history import guard_history
        from rentals.staff.operations import ensure_system_user

        post_migrate.connect(guard_history, sender=self, dispatch_uid="staff.history")
        post_migrate.connect(ensure_system_user, sender=self, dispatch_uid="staff.system_user")
