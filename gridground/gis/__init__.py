"""A plan for other programs: GeoJSON, GeoPackage, GPX and KML, all from the same layers."""
