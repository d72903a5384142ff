"""Packing for a night: the list by location, scanned on to the van and off again."""
