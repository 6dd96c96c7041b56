"""What things are: quantities, measurements, plans, bars and cameras. Knows no pixels and works nothing out."""
