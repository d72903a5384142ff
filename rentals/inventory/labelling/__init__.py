"""Labels: their codes, their places on a sheet, and the pages they are printed on."""
