"""Screens of the bank's side: taking files in, matching lines, reconciling."""
