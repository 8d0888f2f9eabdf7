"""The fitted model of a session: priors, posterior draws, description."""
