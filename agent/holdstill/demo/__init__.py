"""The demonstration: a small board with a tide gauge, captured and rebuilt while it works."""
