"""Annual cleanings: what is due and how much work it is, and the day on which a school's instruments are cleaned together."""
