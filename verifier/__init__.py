"""How a number is worked out and how evidence is checked. Pure functions: no web, no database, no files, no clock."""
