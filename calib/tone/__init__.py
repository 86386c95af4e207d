"""DN -> density: dropouts, wedge patches, transfer curves, banding, drift and the noise model."""
