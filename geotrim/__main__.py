"""``python -m geotrim`` is the command ``geotrim``."""

from __future__ import annotations

import sys

from geotrim.cli import main

sys.exit(main())
