"""Conversion of density to exposure, reflectance, and reflectance at the standard geometry."""
