"""From a mesh file to checked triangles, with findings."""
