"""What a stage is, and which stages there are."""
