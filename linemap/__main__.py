"""``python -m linemap`` does the same as ``linemap``."""

from linemap.cli import main

if __name__ == "__main__":
    main()
