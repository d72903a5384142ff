"""The screens of autopay."""
