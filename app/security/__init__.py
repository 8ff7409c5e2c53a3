"""Who may do what, and what a browser may do with our pages."""
