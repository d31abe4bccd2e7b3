"""Swap areas."""
