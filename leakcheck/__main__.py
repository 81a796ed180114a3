"""`python -m leakcheck` is the same as `leakcheck`."""

from leakcheck.cli import run

if __name__ == "__main__":
    run()
