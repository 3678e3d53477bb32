"""How far the result of one photo can be trusted, and why."""
