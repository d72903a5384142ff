"""Counter takings: what each person took in cash and checks on a day, counted down, closed, and brought to the bank."""
