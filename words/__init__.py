"""What is said, and how figures read: the catalogue of every word on screens and in documents, and its rendering."""
