"""The next test presses: where the window may end and what each press would teach."""
