from django.apps import AppConfig


class SchoolsConfig(AppConfig):
    name = "schools"
    label = "schools"
    verbose_name = "Schools"
