"""Writers: each knows a pattern (or a plain picture) and one file format, nothing else."""
