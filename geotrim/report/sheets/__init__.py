"""Plan sheets on letter paper: drawings to a true scale, tables that run over, words."""
