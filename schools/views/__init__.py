"""Screens of schools."""
