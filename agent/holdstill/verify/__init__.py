"""Second opinions: a store, a card or an image against what was recorded."""
