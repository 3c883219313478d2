"""`python -m bench`: the command line, where its script is not on the path."""

from bench.cli import main

if __name__ == "__main__":
    main()
