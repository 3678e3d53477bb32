"""Which piece goes in first: an order found by taking the finished job apart.

Pieces are closed meshes at their places; a step moves one piece, or a few held together,
straight out to infinity.  See R. H. Wilson and J.-C. Latombe, "Geometric reasoning about
mechanical assembly", Artificial Intelligence 71 (1994) 371-396.
"""
