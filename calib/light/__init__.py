"""Density -> exposure -> reflectance -> standard geometry."""
