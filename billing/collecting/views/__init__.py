"""Screens about families that owe."""
