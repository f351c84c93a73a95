"""The families of the calibration study, one a file, and what is made of their scores."""
