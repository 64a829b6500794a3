"""From poses and reference to deviations: pairs, alignments, arch directions, surface."""
