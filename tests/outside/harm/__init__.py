"""Harm done to sessions, results and packages, and what the program makes of it; `faults.py` runs it all and prints the table."""
