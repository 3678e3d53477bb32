"""The printed targets: what is on them, printing them, and how true the printer was."""
