"""`python -m farmwatch` is `farmwatch`."""

from farmwatch.cli import main

__all__: list[str] = []

if __name__ == "__main__":
    main()
