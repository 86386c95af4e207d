"""Reads a frame package from disk: a validated description, and strips that are read lazily."""
