"""What letters say: the standard text in the code, and the versions that the manager made of it."""
