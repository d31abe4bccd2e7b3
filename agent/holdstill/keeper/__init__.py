"""The store: what arrives, how it is checked, and how it becomes a capture."""
