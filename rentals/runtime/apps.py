from django.apps import AppConfig
from django.db.models.signals import post_migrate


class RuntimeConfig(AppConfig):
    name = "rentals.runtime"
    label = "runtime"
    verbose_name = "Runtime"

    def ready(self) -> None:
        """Make the Celery application the current one, and renew the application role's rights after every migration."""
        import rentals.celery  # noqa: F401
        from rentals.runtime.grants import grant_application_rights

        post_migrate.connect(grant_application_rights, dispatch_uid="office.grants")
