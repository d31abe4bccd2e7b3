"""Start a rebuilt card in an emulator and look for signs of life."""
