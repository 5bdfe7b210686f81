"""Reading, storing and screening occurrence records."""
