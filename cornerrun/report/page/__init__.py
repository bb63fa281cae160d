"""The page: one HTML file that needs no network, result first, the map of corners as its centre."""
