"""From a mesh file to triangles that can be trusted, with findings."""
