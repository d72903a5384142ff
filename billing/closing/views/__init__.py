"""Screens of the end of a month."""
