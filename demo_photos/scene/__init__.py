"""A renderer of road scenes with known truth: an honest camera on an honest road."""
