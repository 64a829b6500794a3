"""Simulated models, scanners and studies with exactly known truth.

In the order in which they build on each other:

- `bodies`: scan bodies, as solids and as drawings;
- `arch`: triangles and noise, implants on an arch, and the ridge they stand in;
- `scan`: what is seen and what is not; one scan as a mesh, with the true poses in its frame;
- `scanner`: what devices, techniques, operators and time do to positions;
- `studies`, `files`: whole study folders.
"""
