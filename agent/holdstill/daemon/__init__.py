"""The board daemon."""
