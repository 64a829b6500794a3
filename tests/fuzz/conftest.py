"""Fuzzing is a command of its own (`make fuzz`), not a test."""

collect_ignore = ["fuzz_inputs.py"]
