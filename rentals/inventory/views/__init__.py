"""Screens of the fleet: instruments, their catalogue, the work on them, and whole fleets coming in."""
