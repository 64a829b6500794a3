"""The steps of a run: each turns a study and earlier tables into new tables."""
