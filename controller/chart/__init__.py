"""Maps and lists on files: pictures, GeoJSON, KML, GPX, site lists and cloud grids. Nothing is fetched."""
