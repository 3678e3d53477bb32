"""Bundle adjustment: several sheets on one surface, one or more photos, all at once."""
