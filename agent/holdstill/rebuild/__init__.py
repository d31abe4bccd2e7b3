"""From a manifest to a card that boots."""
