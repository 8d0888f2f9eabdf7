"""The observations as rows, integration over hyperparameters and the posterior of the field."""
