"""The `benchrig` command."""


def main() -> None:
    """Entry point; commands follow."""
