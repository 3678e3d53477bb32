"""From dense points to the fewest lines, arcs, circles and slots within a tolerance."""
