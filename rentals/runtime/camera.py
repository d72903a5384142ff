"""Which pages may use the device's camera: those that say so, and no others (Permissions-Policy)."""

from django.conf import settings
from django_permissions_policy.decorators import permissions_policy_override

with_camera = permissions_policy_override({**settings.PERMISSIONS_POLICY, "camera": ["self"]})
"""Put on a view under `@requires`: its page may read codes by the camera (`components/camera.html`)."""
