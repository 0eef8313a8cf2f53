"""What is printed of plans that are kept and followed."""
