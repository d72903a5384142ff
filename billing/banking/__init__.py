"""What the bank says: reading its files, taking their lines in once, and matching each to the cent."""
