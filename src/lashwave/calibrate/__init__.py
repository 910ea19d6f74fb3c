"""Room: calibrate. Cameras from boards, points, a wand and a scale, with their covariance."""
