"""Errands of the van, put together with the bench: asked for, listed for the driver, ticked off with what moves."""
