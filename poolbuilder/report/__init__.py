"""Pages made from a pool."""
