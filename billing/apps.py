from django.apps import AppConfig
from django.db.models.signals import post_migrate


class BillingConfig(AppConfig):
    name = "billing"
    label = "billing"
    verbose_name = "Billing"

    def ready(self) -> None:
        """Have the chart of accounts and the first overdue steps stand after every migration, and a closing its checklist."""
        from billing import letter_words, overdue_shown  # noqa: F401 - put their letters among those whose words may be changed
        from billing.chart import ensure_chart
        from billing.closing import house, reconciling  # noqa: F401 - add their lines to it
        from billing.collecting.steps import ensure_steps

        post_migrate.connect(ensure_chart, sender=self, dispatch_uid="billing.chart")
        post_migrate.connect(ensure_steps, sender=self, dispatch_uid="billing.steps")
