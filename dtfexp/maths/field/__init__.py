"""The Gaussian field of print quality: coding, kernel, dose, ceiling, batch effects."""
