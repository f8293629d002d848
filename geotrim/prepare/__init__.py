"""Making the inputs that are missing: files in, files for a site out."""
