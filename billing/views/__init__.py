"""The screens of the books, one file a subject."""
