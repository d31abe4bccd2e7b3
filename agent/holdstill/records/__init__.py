"""The lasting records of a capture: index, manifest and signature."""
