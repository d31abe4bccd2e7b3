"""Capture a running board as one instant, and rebuild it as a card that boots."""
