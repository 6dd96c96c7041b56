"""How the measuring reaches people: the command line (and later the service and its pages)."""
