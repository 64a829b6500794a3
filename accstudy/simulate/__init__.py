"""Simulated models, scanners and studies with exactly known truth.

In the order in which they build on each other:

- `bodies`: scan bodies, as solids and as drawings;
- `arch`: implants on an arch, and the ridge they stand in;
- `surface`, `scene`: triangles and noise, what is seen and what is not;
- `scan`: one scan as a mesh, with the true poses in its frame;
- `effects`, `scanner`: what devices, techniques, operators and time do to positions;
- `comparison`, `studies`, `files`: whole study folders.
"""
