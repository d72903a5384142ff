"""Signing a family up at the counter: one sheet, one review, one signature."""
