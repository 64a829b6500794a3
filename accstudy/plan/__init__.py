"""Before the first scan: how many, in which order, and what to write down."""
