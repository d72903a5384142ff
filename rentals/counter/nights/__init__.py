"""The sign-up night: planned, packed, worked with tablets that need no network, watched, closed."""
