"""Partition tables, and the areas of a disk that hold no files."""
