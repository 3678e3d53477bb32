"""Drawn lines: strokes, what each means, and where their edges lie."""
