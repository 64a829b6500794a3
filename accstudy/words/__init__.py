"""Every sentence of results and reports once, and how numbers are written in them."""
