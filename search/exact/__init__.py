"""The exact search: bounds that are proven, cells, and what a search keeps."""
