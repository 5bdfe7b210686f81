"""Species lists and the reading of names: accepted names, old names, vernacular names, crosses."""
