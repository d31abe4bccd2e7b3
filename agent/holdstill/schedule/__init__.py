"""When the next run is due, and how long to go on trying."""
