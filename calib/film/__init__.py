"""Values at film places from strips, tone and sweep: the one interpolation, and the assembled film frame."""
