"""The end of a month: reports, reconciliation, clearing accounts, the checklist, closing and reopening, files for others."""
