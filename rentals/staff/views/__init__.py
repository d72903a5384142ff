"""Views of this room, by subject: the first page, one's own account, the people, the history of changes."""
