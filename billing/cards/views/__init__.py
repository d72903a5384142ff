"""Screens of card payments."""
