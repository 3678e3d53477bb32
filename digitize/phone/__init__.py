"""A phone known once: its camera calibrated from several photos, kept, and expected again."""
