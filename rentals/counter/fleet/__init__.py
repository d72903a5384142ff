"""How an instrument leaves the fleet outside an agreement, and comes back: it moves, and the books go with it."""
