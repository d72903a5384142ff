from django.apps import AppConfig


class DocumentsConfig(AppConfig):
    name = "rentals.documents"
    label = "documents"
    verbose_name = "Documents"
