"""What every room stands on: the start on a bare machine, the clock, money, locks. Imports no other room."""
