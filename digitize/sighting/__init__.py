"""Finding printed targets in a photo: X-corners, the lattice they form, whose it is."""
