"""See DEVELOPERS.md for what lives here."""
