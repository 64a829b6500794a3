"""From a study folder to settings, scan list and reference; and the record of a run."""
