"""The demonstration project: its plan, its photos, and the scene renderer that made them with their truth."""
