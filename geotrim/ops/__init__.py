"""The operations: each joins core and rules under one declaration in ``catalogue``."""
