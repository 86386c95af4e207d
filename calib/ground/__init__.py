"""Map grid, terrain, and where each map pixel lies on the film."""
