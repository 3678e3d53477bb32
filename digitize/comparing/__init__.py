"""Holding one pattern against another: registration, deviation along the edge, fit in an opening.

Pure geometry on patterns; nothing here knows a photo, a file or the command line.  The new
piece is always the one that is moved, onto the old one, and a deviation is positive where
the new piece has more metal.
"""
