"""The screens of what the fleet earns."""
