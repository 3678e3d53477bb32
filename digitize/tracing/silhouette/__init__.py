"""The edge of a piece that lies on the paper."""
