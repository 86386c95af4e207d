"""The invented mission Tern 2 (1971) and the forward model that photographs and scans it."""
