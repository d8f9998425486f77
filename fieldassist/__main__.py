"""`python -m fieldassist`."""

import sys

from fieldassist.cli import main

sys.exit(main())
