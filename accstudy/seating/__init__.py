"""From poses and reference to the predicted gaps of a rigid framework."""
