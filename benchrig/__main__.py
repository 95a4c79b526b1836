"""`python -m benchrig` is the `benchrig` command."""

from .cli import main

if __name__ == "__main__":
    main()
