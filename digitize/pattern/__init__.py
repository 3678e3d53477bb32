"""The pattern: pure geometry in millimetres, y up, seen from the marked (traced) face.

Nothing here knows a photo, a camera, a file format other than the pattern document
itself, or the command line.
"""
