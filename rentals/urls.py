"""Where every address begins. A room brings its own urls."""

from django.conf import settings
from django.urls import URLPattern, URLResolver, include, path

from rentals.runtime.gallery import components
from rentals.runtime.theme import choose_theme
from rentals.runtime.views import health
from rentals.staff.policy import open_to_all

urlpatterns: list[URLPattern | URLResolver] = [
    path("health/", health, name="health"),
    path("", include("rentals.staff.urls")),
    path("", include("rentals.documents.urls")),
    path("", include("rentals.jobs.urls")),
    path("", include("billing.urls")),
    path("", include("schools.urls")),
    path("", include("rentals.families.urls")),
    path("", include("rentals.portal.urls")),
    path("", include("rentals.counter.urls")),
    path("", include("rentals.inventory.urls")),
    path("", include("rentals.counter.bench.urls")),
    path("", include("rentals.counter.fleet.urls")),
    path("", include("rentals.counter.signup.urls")),
    path("", include("rentals.counter.agreement_urls")),
    path("", include("rentals.counter.life.urls")),
    path("", include("rentals.agreements.urls")),
    path("theme/", open_to_all(choose_theme), name="choose_theme"),
]

if settings.DEBUG:
    urlpatterns += [path("components/", open_to_all(components), name="components")]
