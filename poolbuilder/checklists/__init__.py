"""Species lists and tables of known crosses, as data."""
