"""Delivery runs: stops in a good order, a manifest, scanned off at each stop, what was not delivered back in the books."""
