"""What sheet a blank needs: the smallest rectangle, its grain and weight, and several on one."""
