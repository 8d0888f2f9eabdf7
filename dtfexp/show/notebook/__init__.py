"""Views for notebook cells: windows, panels, the explorer."""

from dtfexp.show.notebook.cells import show_line as show_line
from dtfexp.show.notebook.cells import show_map as show_map
from dtfexp.show.notebook.cells import show_window as show_window
