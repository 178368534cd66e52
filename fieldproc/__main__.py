"""``python -m fieldproc``."""

from fieldproc.cli import main

raise SystemExit(main())
