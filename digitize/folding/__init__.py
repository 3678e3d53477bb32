"""The folded piece in three dimensions: solid sheet, any bend at any angle, and its sizes."""
