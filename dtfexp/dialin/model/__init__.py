"""The fitted model of a session: priors, posterior surfaces, description."""
