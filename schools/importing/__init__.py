"""A district's own spreadsheet on its way in: schools with programmes and directors, or required lists; all of it or nothing."""
