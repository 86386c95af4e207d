"""The invented mission Tern 2 (1971) and the forward model that photographs, develops and scans its frames.

The story. Tern 2 is an orbiter that never flew. In June 1971 it circles the Moon some sixty kilometres above the far
side with a long-lens film camera. On board the negative is developed, pressed under a glass plate that carries a step
wedge and reseau crosses, and read out by a light spot in narrow strips; the video is recorded on tape on the ground
and, much later, digitised. What is left of one exposure is a folder of strip rasters and one description of it.

What this package does. `scenario` describes such a frame completely (camera, film, scan faults, scene, pointing, Sun),
`catalogue` names a dozen that differ in everything that may differ, `make.make_frame` writes the frame package, and
`truth.Truth` keeps what no operator would know: where each sample lies on the film, the density it saw before noise,
banding, drift, transfer curves, dropouts, damaged marks, the pose, and the reflectance of the ground.

It follows the contract of the frame package and shares no line with `calib`: geometry, photometry, film and readout
are written here a second time, so that a comparison of the two means something.
"""
