"""The technician's bench: an instrument scanned in and out, with what its agreement covers and a loaner meanwhile."""
