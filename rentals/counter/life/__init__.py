"""What may happen to an agreement after it was signed, as people do it at the counter: the page, its acts, one flow per move."""
