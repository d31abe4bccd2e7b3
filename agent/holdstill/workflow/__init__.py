"""One module for each use case."""
