"""Two runs beside each other, and many runs together: computed once, shown in the terminal, on pages and in sheets."""
