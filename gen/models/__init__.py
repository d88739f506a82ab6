"""What a person writes: one strict model for each input file."""
