"""Curves seen in a photo, at sub-pixel places and already on the sheet: what to cut, bend, mark."""
