"""Card payments on a processor's own page: attempts, its events, refunds and payouts. No card number ever comes here."""
