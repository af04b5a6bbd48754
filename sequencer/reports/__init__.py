"""Results in, pages out: HTML with plots, terminal, live view, notebook. A result never knows its report."""
