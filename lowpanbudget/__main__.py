"""``python -m lowpanbudget`` is the command line."""

from lowpanbudget.cli.main import run

if __name__ == "__main__":
    run()
