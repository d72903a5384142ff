"""The list of households and one household's page: family, instruments, account, papers and what happened."""
