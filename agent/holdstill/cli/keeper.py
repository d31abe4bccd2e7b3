"""Commands for the keeper."""
COMMANDS = ()
