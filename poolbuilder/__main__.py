"""``python -m poolbuilder``."""

from poolbuilder.cli import main

if __name__ == "__main__":
    main()
