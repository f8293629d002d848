"""What leaves the office, and what comes back: plan sheets, crew list, proof after the cut."""
