"""Benchmarks. They print figures, with a reference measured in the same run, and are no tests."""
