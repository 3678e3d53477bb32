"""What several photos show of a piece, joined into one."""
