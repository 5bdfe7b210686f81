"""Places on the globe: distances, sites, vector layers and the map that ships."""
