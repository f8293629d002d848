"""What a screening takes where nothing is said; apart, so that help need not load the rest."""

from __future__ import annotations

#: Kinds of workers on one machine.
ENGINES = ("processes", "threads")
#: Memory that a screening may take where nothing is said, and the least that makes sense. [MB]
MEMORY_MB, LEAST_MEMORY_MB = 2000, 500
#: What a worker process takes of it, libraries and one partition. [MB]
WORKER_MB = 650
#: What ends the name of a working folder.
UNFINISHED = ".unfinished"
