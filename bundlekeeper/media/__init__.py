"""Sets of volumes: written, proven on the medium, received, and answered."""
