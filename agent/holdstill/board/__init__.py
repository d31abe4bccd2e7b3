"""The live board: what it is made of, what changed on it, and how to pause it."""
