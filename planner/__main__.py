"""``python -m planner`` is the same as the ``planner`` command."""

from planner.cli import main

raise SystemExit(main())
