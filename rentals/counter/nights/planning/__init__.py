"""Planning a night: when and where, the allotment with its arithmetic, what is short."""
