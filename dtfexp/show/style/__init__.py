"""The look that every figure and page shares."""
