"""What is looked at: proofs over the photo, shaded solids, layouts, steps of assembly."""
