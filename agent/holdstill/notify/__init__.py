"""Telling people and machines how the captures are."""
