"""One writer for each thing that is written to a card."""
