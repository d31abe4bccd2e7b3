"""One function for each thing that a person asks for."""
