"""The off-site copy: sealed packs of contents on object storage, written, checked and read."""
