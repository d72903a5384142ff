"""Reports of a month. Each is one frozen table of figures, read once; screen, CSV, XLSX and PDF are made of that table alone."""
