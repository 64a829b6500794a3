"""From triangles to the pose of every implant, with its uncertainty."""
