"""The keeper's page: what a store holds, to look at with a browser."""
