"""What a screening takes where nothing is said; apart, so that help need not load the rest."""

from __future__ import annotations

#: Kinds of workers on one machine.
ENGINES = ("processes", "threads")
#: Memory that a screening may take where nothing is said, and the least that makes sense. [MB]
MEMORY_MB, LEAST_MEMORY_MB = 2500, 500
#: What of it the program itself takes while others measure, a worker process with its libraries
#: and one partition, and a thread that measures one. [MB] Measured (proportional set sizes) at
#: 100,000 lots and 20,000 crowns in a partition, threads at 17,000 and rounded up by far.
PARENT_MB, WORKER_MB, THREAD_MB = 560, 880, 400
#: What ends the name of a working folder.
UNFINISHED = ".unfinished"
