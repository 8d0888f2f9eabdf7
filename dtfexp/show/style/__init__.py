"""The look of all figures and pages."""
