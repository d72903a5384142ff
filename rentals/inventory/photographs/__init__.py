"""Photographs of instruments: read, re-made without metadata, shown and taken away."""
