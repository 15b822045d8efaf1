"""``python -m fishreport`` is the command ``fishreport``."""

from fishreport.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
