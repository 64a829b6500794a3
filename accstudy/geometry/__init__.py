"""Plain geometry on arrays: rigid motions, angles, least-squares elements."""
