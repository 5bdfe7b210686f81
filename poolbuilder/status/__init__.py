"""Native or introduced: what polygons, region lists, records and the shipped table say, and who wins."""
