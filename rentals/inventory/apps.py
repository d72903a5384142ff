from django.apps import AppConfig
from django.db.models.signals import post_migrate

from rentals.inventory.labelling.reference import ensure_layouts
from rentals.inventory.reference import ensure_kind_lists, ensure_kinds


class InventoryConfig(AppConfig):
    name = "rentals.inventory"
    label = "inventory"
    verbose_name = "Inventory"

    def ready(self) -> None:
        """Write the reference data after every migration."""
        post_migrate.connect(ensure_kinds, sender=self, dispatch_uid="inventory.ensure_kinds")
        post_migrate.connect(ensure_layouts, sender=self, dispatch_uid="inventory.ensure_layouts")
        post_migrate.connect(ensure_kind_lists, sender=self, dispatch_uid="inventory.ensure_kind_lists")
