"""Start a rebuilt card in an emulator and check for signs of life."""
