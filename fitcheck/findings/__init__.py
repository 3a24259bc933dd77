"""From numbers to findings: what is wrong, whose fault it is, what to do about it."""
