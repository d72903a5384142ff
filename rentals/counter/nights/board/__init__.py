"""The evening itself: the waiting line, the live board for the lead, and the closing sheet."""
