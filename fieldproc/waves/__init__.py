"""Pure mathematics of spherical waves on arrays: no files, no settings, no records."""
