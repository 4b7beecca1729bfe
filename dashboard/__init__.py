"""Dash pages; they reach the data only through the typed client of the api."""
