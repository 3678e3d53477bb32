"""The rim of an opening in the plate that carries the target."""
