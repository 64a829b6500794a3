"""Before the first scan: sample size, order, data collection sheet."""
