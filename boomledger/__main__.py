"""`python -m boomledger` is the same as the `boomledger` command."""

from boomledger.cli import main

if __name__ == "__main__":
    main()
