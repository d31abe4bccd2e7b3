"""Plain frozen data, and how it is decoded strictly."""
