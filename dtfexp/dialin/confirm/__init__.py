"""Fresh presses that prove a window, and the verdict on them."""
