"""Benchmarks: runs judged against truth, rivals and the machine."""
