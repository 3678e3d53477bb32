"""Faces of a folded piece, each traced alone, joined along their bends into one pattern."""
