"""Floor 2: arrays in, arrays out: designs, kernels, ordinal likelihood, posterior, largest box."""
